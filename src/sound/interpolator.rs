//! The interpolator with which ITU-R BS.1770 (Annex 2) looks between samples: four phases of twelve taps. The meter and the
//! ceiling look by the same numbers, so that what the one keeps the other finds kept.

/// Taps of a phase.
pub const TAPS: usize = 12;
/// BS.1770-5 Annex 2: phases 0 and 1, whole numbers of 1/16384 throughout; 3 and 2 are these backwards.
pub const PHASES: [[f32; TAPS]; 2] = [
    [
        0.001_708_984_4,
        0.010_986_328,
        -0.019_653_32,
        0.033_203_125,
        -0.059_448_242,
        0.137_329_1,
        0.972_167_97,
        -0.102_294_92,
        0.047_607_422,
        -0.026_611_328,
        0.014_892_578,
        -0.008_300_781,
    ],
    [
        -0.029_174_805,
        0.029_296_875,
        -0.051_757_812,
        0.089_111_33,
        -0.166_503_9,
        0.465_087_9,
        0.779_785_16,
        -0.200_317_38,
        0.101_562_5,
        -0.058_227_54,
        0.033_081_055,
        -0.018_920_898,
    ],
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_taps_are_the_whole_numbers_of_the_standard() {
        // The standard prints them with ten digits; times 2^14 they are whole.
        let taps = [
            [28, 180, -322, 544, -974, 2250, 15_928, -1676, 780, -436, 244, -136],
            [-478, 480, -848, 1460, -2728, 7620, 12_776, -3282, 1664, -954, 542, -310],
        ];
        for (phase, wanted) in PHASES.iter().zip(taps) {
            assert_eq!(phase.map(|tap| f64::from(tap) * 16_384.0), wanted.map(f64::from));
        }
    }
}
