//! `tone`: a lane's equaliser, de-esser, compressor and drive. What each form does stands in the files beside this.

use super::{tone_find, tone_keep, tone_set};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};

const OFF: &[Part] = &[Part::Word("off")];
const SWITCH: Part = Part::One(&[&[Part::Word("on")], OFF]);
const THRESHOLD: &[Part] = &[Part::Word("threshold"), Part::Value("threshold-is", Kind::Gain)];
const ATTACK: &[Part] = &[Part::Word("attack"), Part::Value("attack-is", Kind::Length)];
const RELEASE: &[Part] = &[Part::Word("release"), Part::Value("release-is", Kind::Length)];
const WIDTH: &[Part] = &[Part::Word("width"), Part::Value("width-is", Kind::Octaves)];

const HIGH_PASS: &[Part] = &[
    Part::Word("highpass"),
    Part::One(&[
        OFF,
        &[
            Part::Value("frequency", Kind::Frequency),
            Part::Maybe(&[Part::Word("slope"), Part::Value("slope-is", Kind::Count)]),
        ],
    ]),
];

const EQ: &[Part] = &[
    Part::Word("eq"),
    Part::Value("band", Kind::Count),
    Part::One(&[
        OFF,
        &[
            Part::One(&[
                &[Part::Word("bell")],
                &[Part::Word("low-shelf")],
                &[Part::Word("high-shelf")],
                &[Part::Word("band-pass")],
            ]),
            Part::Value("frequency", Kind::Frequency),
            Part::Any(
                0,
                &[
                    &[Part::Value("gain", Kind::Gain)],
                    &[Part::Word("q"), Part::Value("q-is", Kind::Plain)],
                    WIDTH,
                ],
            ),
        ],
    ]),
];

const DEESS: &[Part] = &[
    Part::Word("deess"),
    Part::One(&[
        OFF,
        &[Part::Any(
            1,
            &[
                &[Part::Value("frequency", Kind::Frequency)],
                &[
                    Part::Word("threshold"),
                    Part::Value("threshold-is", Kind::Gain),
                    Part::Maybe(&[Part::Word("relative")]),
                ],
                &[Part::Word("at"), Part::Word("most"), Part::Value("most-is", Kind::Gain)],
                WIDTH,
                &[Part::Word("bell")],
                &[Part::Word("shelf")],
                ATTACK,
                RELEASE,
            ],
        )],
    ]),
];

const COMPRESS: &[Part] = &[
    Part::Word("compress"),
    Part::One(&[
        OFF,
        &[Part::Any(
            1,
            &[
                THRESHOLD,
                &[Part::Word("ratio"), Part::Value("ratio-is", Kind::Plain)],
                ATTACK,
                RELEASE,
                &[Part::Word("knee"), Part::Value("knee-is", Kind::Gain)],
                &[Part::Word("makeup"), Part::Value("makeup-is", Kind::Gain)],
                &[Part::Word("peak")],
                &[Part::Word("rms")],
                &[
                    Part::Word("detector"),
                    Part::Word("highpass"),
                    Part::One(&[OFF, &[Part::Value("detector-highpass", Kind::Frequency)]]),
                ],
                &[Part::Word("mix"), Part::Value("mix-is", Kind::Plain)],
            ],
        )],
    ]),
];

/// The verb.
pub static VERB: Verb = Verb {
    name: "tone",
    form: &[Part::One(&[
        HIGH_PASS,
        EQ,
        DEESS,
        COMPRESS,
        &[Part::Word("drive"), Part::Value("drive-is", Kind::Gain)],
        &[Part::Word("gain"), Part::Value("gain-is", Kind::Gain)],
        &[Part::Word("order"), Part::Value("stages", Kind::Stages)],
        &[Part::Word("bypass"), Part::One(&[&[SWITCH], &[Part::Value("stage", Kind::Stage), SWITCH]])],
        &[Part::Word("clear")],
        &[Part::Word("copy"), Part::Word("from"), Part::Word("lane"), Part::Value("source", Kind::Lanes)],
        &[Part::Word("preset"), Part::Value("preset-name", Kind::Tone)],
        &[
            Part::Word("save"),
            Part::One(&[
                &[Part::Word("default")],
                &[
                    Part::Word("preset"),
                    Part::Value("new-name", Kind::Text),
                    Part::Maybe(&[Part::Word("about"), Part::Value("about-is", Kind::Quoted)]),
                ],
            ]),
        ],
        &[
            Part::Word("find"),
            Part::One(&[&[Part::Word("s")], &[Part::Word("mud")], &[Part::Word("rumble")]]),
            Part::Maybe(&[Part::Word("set")]),
        ],
    ])],
    scope: ScopeUse::Lanes,
    every: false,
    about: "Sets what shapes a lane's sound: high-pass, four equaliser bands, de-esser, compressor, drive and gain. What a form \
            leaves out stays as it is, or comes from the preset `default`. `threshold … relative` follows the voice's own level; \
            `find` listens to the lane and proposes, `find … set` also sets it.",
    examples: &[
        "tone highpass 90Hz on lane 2",
        "tone highpass 90Hz slope 24 on all",
        "tone eq 2 bell 300Hz -4dB q 1.4 on lane 2",
        "tone deess 7500Hz threshold -30dB at most 8dB on all",
        "tone deess 6.8kHz width 1oct threshold -12dB relative on role double",
        "tone compress threshold -20dB ratio 4 attack 5ms release 60ms knee 6dB on all",
        "tone drive 3dB on lane 2",
        "tone order deess,eq,compress,drive on lane 2",
        "tone bypass on on lane 2",
        "tone bypass deess off on lane 2",
        "tone copy from lane 2 on role double",
        "tone preset chorus-double on role double",
        "tone save preset my-double on lane 2",
        "tone save default on lane 2",
        "tone find s on lane 2",
        "tone find rumble set on lane 2",
    ],
    also: &[
        "eq",
        "equaliser",
        "equalizer",
        "deess",
        "deesser",
        "compress",
        "compressor",
        "highpass",
        "drive",
        "saturate",
    ],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let has = |word| call.args.has(word);
    if has("find") {
        return tone_find::resolve(call, context);
    }
    if has("copy") || has("preset-name") || has("save") {
        return tone_keep::resolve(call, context);
    }
    tone_set::resolve(call, context)
}
