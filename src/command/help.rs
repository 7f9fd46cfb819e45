//! Help made from the table.

use super::grammar::Part;
use super::table::{ScopeUse, VERBS, Verb};

/// Help for all verbs: usage, what it does, examples; then how values and scopes are written.
#[must_use]
pub fn help_all() -> String {
    let mut text = String::from(
        "One line is VERB argument… [on SCOPE]; `;` joins commands, `#` begins a comment.\n\
         A command that cannot apply to part of its scope applies to none of it.\n\n",
    );
    for verb in VERBS {
        text.push_str(&help_verb(verb));
        text.push('\n');
    }
    text.push_str(
        "VALUES\n\
         \x20 TIME       1.5s, 1:23.456, 200ms, 64smp from the song's origin; cursor; end\n\
         \x20 ±DISTANCE  +12ms is later, -12ms is earlier\n\
         \x20 LENGTH     5ms, 240smp, 0.1s\n\
         \x20 GAIN       -3dB; ±GAIN changes by, `to GAIN` sets\n\
         \x20 CURVE      linear, equal-power, raised-cosine, exponential, square-root\n\
         \x20 ROLE       guide, double, harmony, adlib, backing\n\
         \x20 EDIT       \"a mark\", edit 12, start\n\n\
         SCOPE\n\
         \x20 all               every lane but the guide and the backing; every lane for fade, trim and gain\n\
         \x20 here              the region at the cursor\n\
         \x20 selected          the regions selected on the screen\n\
         \x20 loop              what sounds in the loop\n\
         \x20 lane 2,4-6        lanes by number; lane \"lead\" by name\n\
         \x20 role double       lanes by role\n\
         \x20 … at 1.6s         of these, the region under that time\n\
         \x20 … at 1.6s..3s     of these, regions that start in that span; `..end` reaches to the last\n\
         \x20                   (the region under 1.6s if none starts after it)\n\
         Without `on SCOPE` a verb acts here.\n",
    );
    text
}

/// Help for one verb.
#[must_use]
pub fn help_verb(verb: &Verb) -> String {
    let mut text =
        format!("{}\n    {}\n", verb.usage(), verb.about.split_whitespace().collect::<Vec<_>>().join(" "));
    if verb.scope != ScopeUse::None && verb.every && !matches!(verb.name, "note" | "lane" | "role") {
        text.push_str("    `on all` means every lane, the guide too.\n");
    }
    for example in verb.examples {
        text.push_str(&format!("      {example}\n"));
    }
    text
}

/// A form as text: `[…]` is optional, `(a | b)` a choice.
#[must_use]
pub fn shape(parts: &[Part]) -> String {
    let choices = |choices: &[&[Part]], separator: &str| {
        choices.iter().map(|parts| shape(parts).trim_start().to_owned()).collect::<Vec<_>>().join(separator)
    };
    let mut text = String::new();
    for part in parts {
        text.push(' ');
        match part {
            Part::Word(word) => text.push_str(word),
            Part::Value(_, kind) => text.push_str(kind.shape()),
            Part::Maybe(parts) => text.push_str(&format!("[{}]", shape(parts).trim_start())),
            Part::One(all) => text.push_str(&format!("({})", choices(all, " | "))),
            Part::Any(_, all) => text.push_str(&format!("[{}]", choices(all, "] ["))),
        }
    }
    text
}
