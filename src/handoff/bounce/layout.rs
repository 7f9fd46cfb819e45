//! What a bounce comes to before anything is read: its span, its files and what each of them holds.

use super::{BounceOptions, BounceRequest, sources};
use crate::handoff::BounceError;
use crate::handoff::file_names::{self, NameTemplate, Subject};
use crate::handoff::file_samples::FileSamples;
use crate::handoff::lane_writer::file_channels;
use crate::handoff::report::FileKind;
use crate::media::conformed_frames;
use crate::mix::Plan;
use crate::song::{Length, Position, Role};

/// What the name of a lane's file without its tone ends with.
const DRY: &str = "_dry";

/// What a bounce comes to before anything is read.
pub(in crate::handoff) struct Layout {
    pub(super) plan: Plan,
    /// What the files hold, and the channels of each.
    pub(super) outputs: Vec<(Output, u16)>,
    /// Names of the files.
    pub(in crate::handoff) names: Vec<String>,
    pub(super) start: Position,
    pub(super) length: Length,
    pub(super) file_rate: u32,
    pub(super) file_length: u64,
}

/// What a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Output {
    /// The lane at an index.
    Lane(usize),
    /// The same without its tone.
    Dry(usize),
    Role(Role),
    Stack,
}

impl Output {
    /// Index of the lane that it holds, if it holds one.
    pub(super) fn row(self) -> Option<usize> {
        match self {
            Output::Lane(row) | Output::Dry(row) => Some(row),
            Output::Role(_) | Output::Stack => None,
        }
    }

    /// What the report says of it.
    pub(super) fn kind(self) -> FileKind {
        match self {
            Output::Lane(_) => FileKind::Lane,
            Output::Dry(_) => FileKind::Dry,
            Output::Role(_) => FileKind::Role,
            Output::Stack => FileKind::Stack,
        }
    }
}

impl Layout {
    pub(in crate::handoff) fn new(request: &BounceRequest<'_>) -> Result<Layout, BounceError> {
        let channels = |id| request.assets.iter().find(|asset| asset.id == id).map(|asset| asset.channels);
        let plan = Plan::compile(request.song, request.rate, &channels);
        let extent = plan.extent().ok_or(BounceError::Nothing)?;
        let options = &request.options;
        let start = options.from.unwrap_or(extent.start.min(Position(0)));
        let end = options.until.unwrap_or(extent.end);
        if end <= start {
            return Err(BounceError::Empty);
        }
        let length = end.since(start) + options.tail;
        let template = NameTemplate::read(options.names)?;
        let file_rate = options.rate.unwrap_or(request.rate);
        let outputs = outputs(&plan, options);
        let name = |(output, _): &(Output, u16)| {
            let subject = match *output {
                Output::Lane(index) | Output::Dry(index) => {
                    Subject::Lane(index + 1, plan.lanes().get(index).map(|lane| &**lane.source())?)
                }
                Output::Role(role) => Subject::Role(role),
                Output::Stack => Subject::Stack,
            };
            let name = template.fill(request.title, file_rate, request.format, subject);
            Some(if matches!(output, Output::Dry(_)) { name + DRY } else { name })
        };
        let names =
            file_names::distinct(outputs.iter().filter_map(name).collect(), request.format.extension());
        let file_length = conformed_frames(length.0, request.rate, file_rate);
        if outputs.is_empty() || file_length == 0 {
            return Err(BounceError::Empty);
        }
        Ok(Layout { plan, outputs, names, start, length, file_rate, file_length })
    }

    /// Where all files begin on the timeline.
    pub(in crate::handoff) fn start(&self) -> Position {
        self.start
    }

    /// Samples at the session's rate in every file.
    pub(in crate::handoff) fn length(&self) -> Length {
        self.length
    }

    pub(in crate::handoff) fn open_sources(
        &self,
        request: &BounceRequest<'_>,
    ) -> Result<Vec<FileSamples>, BounceError> {
        let lanes = self.plan.lanes().iter().zip(1..);
        lanes.map(|(lane, number)| sources::open(request, lane, number)).collect()
    }

    /// Position of the first sample of every file, in samples of the file's rate.
    pub(super) fn file_start(&self, request: &BounceRequest<'_>) -> i64 {
        let distance = conformed_frames(self.start.0.unsigned_abs(), request.rate, self.file_rate);
        let distance = i64::try_from(distance).unwrap_or(i64::MAX);
        if self.start.0 < 0 { -distance } else { distance }
    }
}

fn outputs(plan: &Plan, options: &BounceOptions) -> Vec<(Output, u16)> {
    let parts = options.parts;
    let mut outputs = Vec::new();
    let lanes = || plan.lanes().iter().enumerate();
    if parts.lanes {
        outputs.extend(lanes().map(|(index, lane)| (Output::Lane(index), file_channels(lane))));
    }
    if parts.lanes && options.tone && options.dry_too {
        let toned = lanes().filter(|(_, lane)| lane.tone().is_some_and(|tone| !tone.is_idle()));
        outputs.extend(toned.map(|(index, lane)| (Output::Dry(index), file_channels(lane))));
    }
    if parts.roles {
        let sounds = |role| plan.lanes().iter().any(|lane| lane.role == role && !lane.mute);
        let roles = Role::ALL.iter().map(|(role, _)| *role).filter(|role| sounds(*role));
        outputs.extend(roles.map(|role| (Output::Role(role), 2)));
    }
    if parts.stack {
        outputs.push((Output::Stack, 2));
    }
    outputs
}
