//! Command lines at random, one command each, that mean the same to a program that hears and to one that does not.

use crate::numbers::Numbers;

/// A command line over three lanes of three seconds; some are refused by some states.
pub fn any(numbers: &mut Numbers) -> String {
    let lane = 1 + numbers.below(3);
    let tenth = numbers.below(30);
    match numbers.below(20) {
        0..=3 => format!("cut at {}.{}s on lane {lane}", tenth / 10, tenth % 10),
        4..=5 => format!(
            "shift {}ms on lane {lane} at {}.{}5s",
            ["+7", "-5", "+40"][numbers.index(3)],
            tenth / 10,
            tenth % 10
        ),
        6 => format!("fade both {}ms on lane {lane}", 1 + numbers.below(40)),
        7 => format!("fade out {}ms curve raised-cosine bend 0.3 on lane {lane}", 1 + numbers.below(40)),
        8..=9 => safe(numbers),
        10..=11 => "undo".into(),
        12 => format!("undo {}", 2 + numbers.below(3)),
        13 => "redo".into(),
        14 => format!("goto edit {}", 1 + numbers.below(30)),
        15 => format!("goto \"m{}\"", numbers.below(4)),
        16 => format!("bring lane {lane} from \"m{}\"", numbers.below(4)),
        17 => format!(
            "note \"the t; \u{e9} \\\"{}\\\"\" at {}.{}s on lane {lane}",
            numbers.below(90),
            tenth / 10,
            tenth % 10
        ),
        _ => format!("mark \"m{}\"", numbers.below(4)),
    }
}

/// A command line that no state refuses, so that a script of many goes on to its end.
pub fn safe(numbers: &mut Numbers) -> String {
    let lane = 1 + numbers.below(3);
    match numbers.below(4) {
        0 => format!("mark \"m{}\"", numbers.below(4)),
        1 => format!("note \"n{}\" at 1s on lane {lane}", numbers.next() % 1000),
        2 => format!("pan {}.{} on lane {lane}", ["-0", "0"][numbers.index(2)], 1 + numbers.below(9)),
        _ => format!("gain to -{}.{:03}dB on lane {lane}", numbers.below(60), numbers.below(1000)),
    }
}
