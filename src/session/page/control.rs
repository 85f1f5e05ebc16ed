//! One control of a form: what it is, what it holds, and what of it a form sends.

use super::direction::Direction;
use super::sanitise::{Bounds, LineType};
use crate::terms::Raw;

/// A submittable element as the parser left it, its value sanitised.
#[derive(Clone)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is an attribute that a control has or has not, in any combination"
)]
pub(super) struct Control {
    /// Empty when it has none, and then it is never sent.
    pub(super) name: String,
    pub(super) kind: Kind,
    /// By itself, or by a fieldset around it.
    pub(super) disabled: bool,
    /// Within a `<datalist>`, whose controls the standard does not send.
    pub(super) in_datalist: bool,
    /// The name under which the direction of its text is sent, and that direction.
    pub(super) dirname: Option<(String, Direction)>,
    pub(super) required: bool,
    pub(super) readonly: bool,
    /// Least and most UTF-16 code units that a person can type.
    pub(super) length: (Option<usize>, Option<usize>),
}

#[derive(Clone)]
pub(super) enum Kind {
    Line {
        line: LineType,
        value: String,
        bounds: Bounds,
    },
    /// Its value holds bare line feeds.
    Area(String),
    Box {
        value: String,
        checked: bool,
    },
    Radio {
        value: String,
        checked: bool,
    },
    Select {
        several: bool,
        options: Vec<Choice>,
    },
    File,
    Button(Button),
}

/// One option of a select.
#[derive(Clone)]
pub(super) struct Choice {
    pub(super) value: String,
    pub(super) selected: bool,
    pub(super) disabled: bool,
}

#[derive(Clone, PartialEq, Eq)]
pub(super) struct Button {
    pub(super) role: Role,
    /// None when the attribute is missing.
    pub(super) value: Option<String>,
    /// An `<input>`, not a `<button>`.
    pub(super) is_input: bool,
    pub(super) action: Option<String>,
    pub(super) method: Option<String>,
    pub(super) enctype: Option<String>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Submit,
    Image,
    Reset,
    Plain,
}

impl Control {
    /// What a person would call it.
    pub(super) fn word(&self) -> &'static str {
        match &self.kind {
            Kind::Line { line, .. } => line.word(),
            Kind::Area(_) => "textarea",
            Kind::Box { .. } => "checkbox",
            Kind::Radio { .. } => "radio",
            Kind::Select { several: true, .. } => "select-multiple",
            Kind::Select { several: false, .. } => "select-one",
            Kind::File => "file",
            Kind::Button(button) => match button.role {
                Role::Submit => "submit",
                Role::Image => "image",
                Role::Reset => "reset",
                Role::Plain => "button",
            },
        }
    }

    pub(super) fn is_button(&self) -> bool {
        matches!(self.kind, Kind::Button(_))
    }

    /// What it holds, taken alone.
    pub(super) fn raw(&self) -> Raw {
        match &self.kind {
            Kind::Line { value, .. } | Kind::Area(value) => Raw::Text(value.clone()),
            Kind::Box { checked, .. } => Raw::Box(*checked),
            Kind::Select { several: true, .. } => Raw::Many(self.values()),
            Kind::Radio { .. } | Kind::Select { .. } => {
                Raw::Choice(self.values().into_iter().next())
            }
            Kind::File => Raw::Text(String::new()),
            Kind::Button(_) => Raw::Missing,
        }
    }

    /// The values that it holds, whether or not it is disabled.
    pub(super) fn values(&self) -> Vec<String> {
        match &self.kind {
            Kind::Line { value, .. } | Kind::Area(value) => vec![value.clone()],
            Kind::Box { value, checked } | Kind::Radio { value, checked } => {
                checked.then(|| value.clone()).into_iter().collect()
            }
            Kind::Select { options, .. } => options
                .iter()
                .filter(|option| option.selected)
                .map(|option| option.value.clone())
                .collect(),
            Kind::File => vec![String::new()],
            Kind::Button(_) => Vec::new(),
        }
    }
}

impl LineType {
    fn word(self) -> &'static str {
        match self {
            LineType::Hidden => "hidden",
            LineType::Text => "text",
            LineType::Search => "search",
            LineType::Tel => "tel",
            LineType::Url => "url",
            LineType::Email { .. } => "email",
            LineType::Password => "password",
            LineType::Date => "date",
            LineType::Month => "month",
            LineType::Week => "week",
            LineType::Time => "time",
            LineType::LocalTime => "datetime-local",
            LineType::Number => "number",
            LineType::Range => "range",
            LineType::Colour => "color",
        }
    }

    /// Whether `dirname` means something on it.
    pub(super) fn has_direction(self) -> bool {
        matches!(
            self,
            LineType::Hidden
                | LineType::Text
                | LineType::Search
                | LineType::Tel
                | LineType::Url
                | LineType::Email { .. }
                | LineType::Password
        )
    }
}
