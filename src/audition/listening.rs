//! What is heard: which lanes of a plan sound, and on which side.

use std::f64::consts::FRAC_1_SQRT_2;
use std::sync::Arc;

use crate::mix::{Ear, Plan, PlanLane, preroll};
use crate::song::{LaneId, Role};
use crate::sound::pan::PanGains;

/// Which lanes are listened to.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Choice {
    /// As the song's solo and mute marks say; the backing sounds with it.
    #[default]
    Marks,
    /// What the bounce sums: the lanes that are neither muted nor backing, whatever is soloed.
    Stack,
    /// Exactly these lanes, muted ones too.
    Lanes(Vec<LaneId>),
    /// All lanes of these roles that are not muted.
    Roles(Vec<Role>),
    /// The guide alone.
    Guide,
    /// A lane together with the guide.
    Both(LaneId),
    /// The guide on the left, a lane on the right.
    Apart(LaneId),
}

/// One lane heard in another way than its tone is set, for working on it. Never in a bounce.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Through {
    /// The lane.
    pub lane: LaneId,
    /// What of it is heard.
    pub ear: Ear,
    /// Gain in dB, so that it compares at the same loudness; held to 24 dB either way.
    pub gain_db: f64,
}

/// No lane is made louder or softer than this to match another in loudness.
pub const MOST_MATCH_DB: f64 = 24.0;

/// What is heard, and how: resolved to the gains of each lane by [`Scene::new`].
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Listening {
    /// Which lanes.
    pub choice: Choice,
    /// Both sides summed to one and heard in the middle, at half the sum of the sides.
    pub mono: bool,
    /// A lane that is heard in another way than its tone is set.
    pub through: Option<Through>,
}

impl Listening {
    /// A choice in stereo.
    #[must_use]
    pub fn to(choice: Choice) -> Listening {
        Listening { choice, ..Listening::default() }
    }
}

/// How one lane reaches the bus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Way {
    /// Gains of the two sides.
    pub(super) gains: PanGains,
    /// The lane's two channels are made one (half their sum) before the gains.
    pub(super) folded: bool,
}

/// A plan together with what is heard of it. Immutable; made and dropped outside the callback.
#[derive(Debug)]
pub struct Scene {
    plan: Arc<Plan>,
    pub(super) ways: Vec<Option<Way>>,
    pub(super) mono: bool,
    through: Option<Through>,
    /// Frames that the processors are given before sound begins; 0 if no lane that is heard has any.
    pub(super) preroll: u64,
}

impl Scene {
    /// Resolves `listening` on `plan`. A lane that the plan does not have is not heard. Allocates.
    #[must_use]
    pub fn new(plan: Arc<Plan>, listening: &Listening) -> Scene {
        let mut ways: Vec<Option<Way>> =
            (0..plan.lanes().len()).map(|index| way(&plan, index, &listening.choice)).collect();
        if let Some(through) = &listening.through {
            let gain = through.gain_db.clamp(-MOST_MATCH_DB, MOST_MATCH_DB);
            let gain = crate::song::Db(gain).to_linear().0;
            for (lane, way) in plan.lanes().iter().zip(&mut ways) {
                if let Some(way) = way
                    && lane.id == through.lane
                {
                    way.gains = PanGains { left: way.gains.left * gain, right: way.gains.right * gain };
                }
            }
        }
        let mut scene = Scene { plan, ways, mono: listening.mono, through: listening.through, preroll: 0 };
        if scene.heard().any(|(_, lane)| scene.is_toned(lane)) {
            scene.preroll = preroll(&scene.plan);
        }
        scene
    }

    /// What of a lane is heard.
    pub(super) fn ear(&self, lane: LaneId) -> Ear {
        self.through.filter(|through| through.lane == lane).map_or(Ear::default(), |through| through.ear)
    }

    fn is_toned(&self, lane: &PlanLane) -> bool {
        let ear = self.ear(lane.id);
        ear.search.is_some() || (!ear.before && lane.tone().is_some_and(|tone| !tone.is_idle()))
    }

    /// True if a lane that is heard has processors.
    pub(super) fn has_tone(&self) -> bool {
        self.preroll > 0
    }

    /// True if all lanes with processors were heard in `old` too, so that theirs can go on from what they were.
    pub(super) fn goes_on_from(&self, old: &Scene) -> bool {
        let was_heard = |(index, lane): (usize, &Arc<PlanLane>)| {
            let place = old.plan.lanes().get(index).filter(|other| other.id == lane.id).map(|_| index);
            let place = place.or_else(|| old.plan.lanes().iter().position(|other| other.id == lane.id));
            place.is_some_and(|place| old.ways.get(place).is_some_and(Option::is_some))
        };
        self.heard().filter(|(_, lane)| self.is_toned(lane)).all(was_heard)
    }

    /// The plan.
    #[must_use]
    pub fn plan(&self) -> &Arc<Plan> {
        &self.plan
    }

    /// Index and plan of each lane that is heard.
    pub fn heard(&self) -> impl Iterator<Item = (usize, &Arc<PlanLane>)> {
        let lanes = self.plan.lanes().iter().enumerate();
        lanes.zip(&self.ways).filter(|(_, way)| way.is_some()).map(|(lane, _)| lane)
    }
}

fn way(plan: &Plan, index: usize, choice: &Choice) -> Option<Way> {
    let lane = plan.lanes().get(index)?;
    let guide = lane.role == Role::Guide;
    let placed = Way { gains: lane.pan_gains, folded: false };
    // As loud on its side as a mono lane is on each side from the middle, so that switching to it is no jump.
    let side = |left: f64, right: f64| Way { gains: PanGains { left, right }, folded: true };
    let heard = match choice {
        Choice::Marks => plan.is_heard(index),
        Choice::Stack => lane.in_stack(),
        Choice::Lanes(lanes) => lanes.contains(&lane.id),
        Choice::Roles(roles) => roles.contains(&lane.role) && !lane.mute,
        Choice::Guide => guide,
        Choice::Both(other) => guide || lane.id == *other,
        Choice::Apart(other) => {
            // The guide against itself is the guide in the middle.
            return match (guide, lane.id == *other) {
                (true, true) => Some(side(FRAC_1_SQRT_2, FRAC_1_SQRT_2)),
                (true, false) => Some(side(FRAC_1_SQRT_2, 0.0)),
                (false, true) => Some(side(0.0, FRAC_1_SQRT_2)),
                (false, false) => None,
            };
        }
    };
    heard.then_some(placed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::{AssetId, Db, Lane, Pan, Polarity, Song};

    fn plan() -> Arc<Plan> {
        let lane = |id: u64, role: Role, mute: bool, solo: bool| {
            Arc::new(Lane {
                id: LaneId(id),
                name: String::new(),
                role,
                asset: AssetId(id),
                gain_db: Db(0.0),
                pan: Pan(0.0),
                polarity: Polarity::Normal,
                tone: None,
                mute,
                solo,
                notes: vec![],
                holds: Vec::new(),
                regions: vec![],
            })
        };
        let lanes = vec![
            lane(11, Role::Guide, false, false),
            lane(12, Role::Double, false, true),
            lane(13, Role::Double, true, false),
            lane(14, Role::Harmony, false, false),
            lane(15, Role::Backing, false, false),
        ];
        Arc::new(Plan::compile(&Song { lanes, ..Song::default() }, 48_000, &|_| Some(1)))
    }

    fn heard(choice: Choice) -> Vec<usize> {
        Scene::new(plan(), &Listening::to(choice)).heard().map(|(index, _)| index + 1).collect()
    }

    #[test]
    fn each_choice_lets_its_lanes_through() {
        assert_eq!(heard(Choice::Marks), [2], "the soloed one");
        assert_eq!(heard(Choice::Stack), [1, 2, 4], "not the muted one, not the backing, whatever is soloed");
        assert_eq!(heard(Choice::Lanes(vec![LaneId(13), LaneId(11), LaneId(99)])), [1, 3]);
        assert_eq!(heard(Choice::Roles(vec![Role::Double, Role::Backing])), [2, 5]);
        assert_eq!(heard(Choice::Guide), [1]);
        assert_eq!(heard(Choice::Both(LaneId(14))), [1, 4]);
        assert_eq!(heard(Choice::Apart(LaneId(14))), [1, 4]);
        assert_eq!(heard(Choice::Lanes(vec![])), [] as [usize; 0]);
    }

    #[test]
    fn apart_puts_the_guide_left_and_the_lane_right() {
        let scene = Scene::new(plan(), &Listening::to(Choice::Apart(LaneId(12))));
        let gains = |index: usize| scene.ways[index].map(|way| (way.gains.left, way.gains.right));
        assert_eq!(gains(0), Some((FRAC_1_SQRT_2, 0.0)));
        assert_eq!(gains(1), Some((0.0, FRAC_1_SQRT_2)));
        let same = Scene::new(plan(), &Listening::to(Choice::Apart(LaneId(11))));
        assert_eq!(same.ways[0].map(|way| way.gains.left == way.gains.right), Some(true));
    }
}
