//! `select`: which regions `on selected` means.

use super::super::app::{App, World};
use super::super::log::Weight;
use super::{Acted, ScreenVerb};
use crate::command::{Args, Diagnostic, Part};
use crate::song::RegionId;

/// The verb.
pub static VERB: ScreenVerb = ScreenVerb {
    name: "select",
    form: &[Part::One(&[
        &[Part::Word("here")],
        &[Part::Word("lane")],
        &[Part::Word("loop")],
        &[Part::Word("all")],
        &[Part::Word("none")],
    ])],
    about: "Adds regions to the selection, or takes the region here out of it again; `on selected` means them all.",
    also: &["pick", "choose"],
    act,
};

fn act(app: &mut App, world: &World, args: &Args) -> Acted {
    let song = world.session.song();
    let at = app.view.at();
    let mut add = |ids: Vec<RegionId>| {
        for id in ids {
            if !app.selected.contains(&id) {
                app.selected.push(id);
            }
        }
    };
    if args.has("none") {
        app.selected.clear();
    } else if args.has("all") {
        add(song.lanes.iter().flat_map(|lane| &lane.regions).map(|region| region.id).collect());
    } else if args.has("loop") {
        let span =
            song.loop_span.ok_or_else(|| Diagnostic::refusal("no loop is set").help("as in: loop here"))?;
        let inside = song
            .lanes
            .iter()
            .flat_map(|lane| &lane.regions)
            .filter(|region| region.at < span.end && span.start < region.end());
        add(inside.map(|region| region.id).collect());
    } else {
        let lane = app.lane(world).ok_or_else(|| Diagnostic::refusal("there is no lane"))?;
        if args.has("lane") {
            let ids = lane.regions.iter().map(|region| region.id);
            let new: Vec<_> = ids.filter(|id| !app.selected.contains(id)).collect();
            app.selected.extend(new);
        } else {
            let index = lane.index_at(at).ok_or_else(|| Diagnostic::refusal("no region is at the cursor"))?;
            let id = lane.regions[index].id;
            match app.selected.iter().position(|own| *own == id) {
                Some(index) => drop(app.selected.remove(index)),
                None => app.selected.push(id),
            }
        }
    }
    let text = match app.selected.len() {
        0 => "nothing is selected".to_owned(),
        1 => "1 region is selected".to_owned(),
        many => format!("{many} regions are selected"),
    };
    app.say(Weight::Note, &text);
    Ok(Vec::new())
}
