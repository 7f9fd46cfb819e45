//! Bands in files: those that are set, under their numbers from 1.

use std::collections::BTreeMap;

use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::{BANDS, Band};

pub(super) fn serialize<S: Serializer>(
    bands: &[Option<Band>; BANDS],
    serializer: S,
) -> Result<S::Ok, S::Error> {
    let numbered: BTreeMap<String, Band> = (1..)
        .zip(bands)
        .filter_map(|(number, band): (usize, _)| band.map(|band| (number.to_string(), band)))
        .collect();
    numbered.serialize(serializer)
}

pub(super) fn deserialize<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<[Option<Band>; BANDS], D::Error> {
    let mut bands = [None; BANDS];
    for (number, band) in BTreeMap::<String, Band>::deserialize(deserializer)? {
        let index = number.parse().ok().filter(|number| (1..=BANDS).contains(number));
        match index {
            Some(index) => bands[index - 1] = Some(band),
            None => {
                return Err(D::Error::custom(format!("bands have the numbers 1 to {BANDS}, not {number}")));
            }
        }
    }
    Ok(bands)
}
