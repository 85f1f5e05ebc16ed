//! A raw thing as it stands in an answer, before it means anything.

use std::fmt;

use serde::{Deserialize, Serialize};
use serde_json::Value as Json;

/// What stands at a place. The debug form shows the shape alone, since it may be a secret.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Raw {
    /// Nothing stands there.
    Missing,
    /// Text: of a text control, an element, a line.
    Text(String),
    /// One check box.
    Box(bool),
    /// The value of a radio group or of a select that takes one; none chosen.
    Choice(Option<String>),
    /// Several values under one name: a select that takes several, boxes or fields of one name.
    Many(Vec<String>),
    /// A JSON value.
    Json(Json),
}

impl fmt::Debug for Raw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Raw::Missing => "Missing",
            Raw::Text(_) => "Text(..)",
            Raw::Box(_) => "Box(..)",
            Raw::Choice(_) => "Choice(..)",
            Raw::Many(_) => "Many(..)",
            Raw::Json(_) => "Json(..)",
        })
    }
}
