//! Ids: small numbers from one counter per kind, kept in the document so that they never change.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

macro_rules! id_type {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        #[serde(transparent)]
        pub struct $name(pub u64);

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                self.0.fmt(f)
            }
        }
    };
}

id_type! {
    /// Names an asset within a session.
    AssetId
}
id_type! {
    /// Names a lane for its whole life; its number on the screen may change.
    LaneId
}
id_type! {
    /// Names a region; never used twice in a session, on no branch.
    RegionId
}
id_type! {
    /// Names an edit; 0 is the state in which the session began. Parents have smaller ids than children.
    EditId
}
