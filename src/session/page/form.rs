//! One form: its name, what its controls hold, and the buttons that send it.

use std::fmt;

use encoding_rs::Encoding;
use url::Url;

use super::control::{Button, Control, Kind, Role};
use crate::terms::{Raw, Untrusted};

/// A form of a page, with its controls as a browser has them after loading.
#[derive(Clone)]
pub struct Form {
    pub(super) position: usize,
    pub(super) id: String,
    pub(super) name: String,
    pub(super) document: Url,
    pub(super) base: Url,
    pub(super) encoding: &'static Encoding,
    pub(super) action: Option<String>,
    pub(super) method: Option<String>,
    pub(super) enctype: Option<String>,
    pub(super) accept_charset: Option<String>,
    /// In tree order, buttons too.
    pub(super) controls: Vec<Control>,
}

/// A control as it is seen from outside of this module. The debug form shows no contents.
#[derive(Clone, PartialEq, Eq)]
pub struct ControlView {
    /// Its name; empty when it has none.
    pub name: String,
    /// What it is: `text`, `checkbox`, `select-one`, `submit` and so on.
    pub kind: &'static str,
    /// What it holds, taken alone: a radio button that is not checked holds `Choice(None)`, a
    /// button holds nothing.
    pub raw: Raw,
    /// What a check box, a radio button or a button sends when it is sent.
    pub value: Option<String>,
    /// Whether it is disabled, by itself or by a fieldset, and so never sent.
    pub disabled: bool,
}

/// Why a form cannot be filled or sent as asked. What was to be filled in is in no message, since
/// it may be a secret.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FormError {
    /// The form has no control of this name that holds a value.
    #[error("form `{form}` has no control `{control}`")]
    NoSuchControl {
        /// The form's label.
        form: String,
        /// The control, escaped.
        control: String,
    },
    /// The control holds another kind of thing.
    #[error("control `{control}` ({kind}) cannot hold {given}")]
    OtherKind {
        /// The control, escaped.
        control: String,
        /// What it is.
        kind: &'static str,
        /// What was to be filled in.
        given: &'static str,
    },
    /// The choice is not among those that the control offers now.
    #[error("control `{control}` offers {offered}, and not what was chosen")]
    NotOffered {
        /// The control, escaped.
        control: String,
        /// Its choices, escaped.
        offered: String,
    },
    /// Nothing can be chosen where something is always chosen.
    #[error("control `{control}` always has a choice, it cannot be left without one")]
    AlwaysChosen {
        /// The control, escaped.
        control: String,
    },
    /// The text is too short or too long, counted in UTF-16 code units as browsers count.
    #[error("control `{control}` takes {takes} characters, not {length}")]
    Length {
        /// The control, escaped.
        control: String,
        /// How many it takes.
        takes: String,
        /// How many were given.
        length: usize,
    },
    /// A line break in a control of one line.
    #[error("control `{control}` holds one line, and the text has a line break")]
    LineBreak {
        /// The control, escaped.
        control: String,
    },
    /// A browser would make something else of the value.
    #[error("control `{control}` ({kind}) would not keep the value as it was given")]
    WouldBend {
        /// The control, escaped.
        control: String,
        /// What it is.
        kind: &'static str,
    },
    /// A number outside of the control's own bounds or between its steps.
    #[error("control `{control}` does not take this number: its page says {bounds}")]
    OutOfBounds {
        /// The control, escaped.
        control: String,
        /// Its bounds.
        bounds: String,
    },
    /// Left empty, and the page says that it must not be.
    #[error("control `{control}` must not be empty")]
    Required {
        /// The control, escaped.
        control: String,
    },
    /// Nobody can change it.
    #[error("control `{control}` is {why}")]
    Fixed {
        /// The control, escaped.
        control: String,
        /// `disabled` or `read-only`.
        why: &'static str,
    },
    /// Several values that do not fit onto the controls of this name, in their order.
    #[error("the {given} values do not fit onto the {controls} controls named `{control}`")]
    DoNotFit {
        /// The control, escaped.
        control: String,
        /// How many values were given.
        given: usize,
        /// How many controls there are.
        controls: usize,
    },
    /// No button that submits has this name and value.
    #[error("form `{form}` has no button `{button}` that sends it")]
    NoSuchButton {
        /// The form's label.
        form: String,
        /// The button, escaped.
        button: String,
    },
    /// Several buttons fit, and they do not do the same.
    #[error("form `{form}` has {found} different buttons `{button}`: name one by its value")]
    AmbiguousButton {
        /// The form's label.
        form: String,
        /// The button, escaped.
        button: String,
        /// How many.
        found: usize,
    },
    /// The button is disabled.
    #[error("button `{button}` of form `{form}` is disabled")]
    DisabledButton {
        /// The form's label.
        form: String,
        /// The button, escaped.
        button: String,
    },
    /// The form closes a dialog and sends nothing.
    #[error("form `{form}` has the method `dialog`, which sends nothing")]
    SendsNothing {
        /// The form's label.
        form: String,
    },
    /// The form's address is none that can be sent to.
    #[error("form `{form}` has the action `{action}`: {why}")]
    Action {
        /// The form's label.
        form: String,
        /// The action, escaped.
        action: String,
        /// Why it cannot be used.
        why: String,
    },
}

impl Form {
    /// What a person can find it by: `#air` by its id, else its name, else `form 2` by its place
    /// in the page. Escaped and short.
    pub fn label(&self) -> String {
        if !self.id.is_empty() {
            format!("#{}", escaped(&self.id))
        } else if !self.name.is_empty() {
            escaped(&self.name)
        } else {
            format!("form {}", self.position)
        }
    }

    /// What stands in the controls of this name, buttons left out: a single one of text gives
    /// `Text`, a single check box `Box`, radio buttons and a select of one `Choice`, a select of
    /// several and anything of one name `Many`, in tree order. Disabled ones count: what they hold
    /// is on the page, though it is not sent.
    pub fn raw(&self, control: &str) -> Raw {
        let found: Vec<&Control> = self.named(control).collect();
        match found.as_slice() {
            [] => Raw::Missing,
            [one] => one.raw(),
            group
                if group
                    .iter()
                    .all(|one| matches!(one.kind, Kind::Radio { .. })) =>
            {
                Raw::Choice(group.iter().flat_map(|one| one.values()).next())
            }
            several => Raw::Many(several.iter().flat_map(|one| one.values()).collect()),
        }
    }

    /// Every submittable control in tree order, also buttons, nameless and disabled ones.
    pub fn controls(&self) -> Vec<ControlView> {
        let view = |control: &Control| ControlView {
            name: control.name.clone(),
            kind: control.word(),
            raw: control.raw(),
            value: match &control.kind {
                Kind::Box { value, .. } | Kind::Radio { value, .. } => Some(value.clone()),
                Kind::Button(button) => Some(button.sent()),
                _ => None,
            },
            disabled: control.disabled,
        };
        self.controls.iter().map(view).collect()
    }

    pub(super) fn has(&self, control: &str) -> bool {
        self.named(control).next().is_some()
    }

    /// The controls of a name that hold something.
    pub(super) fn named<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a Control> {
        self.controls
            .iter()
            .filter(move |one| !name.is_empty() && one.name == name && !one.is_button())
    }

    /// Finds the button to be pressed, by its place among the controls.
    pub(super) fn pressed(&self, name: &str, value: Option<&str>) -> Result<usize, FormError> {
        let said = || match value {
            Some(value) => format!("{}={}", escaped(name), escaped(value)),
            None => escaped(name),
        };
        let found: Vec<(usize, &Control, &Button)> = self
            .controls
            .iter()
            .enumerate()
            .filter(|(_, control)| control.name == name)
            .filter_map(|(index, control)| match &control.kind {
                Kind::Button(button) if button.submits() => Some((index, control, button)),
                _ => None,
            })
            .filter(|(_, _, button)| value.is_none_or(|value| button.sent() == value))
            .collect();
        let Some((index, control, button)) = found.first() else {
            return Err(FormError::NoSuchButton {
                form: self.label(),
                button: said(),
            });
        };
        let alike = |other: &&(usize, &Control, &Button)| {
            other.2 == *button && other.1.disabled == control.disabled
        };
        if !found.iter().all(|other| alike(&other)) {
            return Err(FormError::AmbiguousButton {
                form: self.label(),
                button: said(),
                found: found.len(),
            });
        }
        if control.disabled {
            return Err(FormError::DisabledButton {
                form: self.label(),
                button: said(),
            });
        }
        Ok(*index)
    }
}

impl Button {
    pub(super) fn submits(&self) -> bool {
        matches!(self.role, Role::Submit | Role::Image)
    }

    /// What it sends. The standard says that an input without a value sends an empty one, but
    /// every browser sends the label that it shows, in its own language. Chromium's English one
    /// is sent, so that a device which asks whether the field holds anything is answered.
    pub(super) fn sent(&self) -> String {
        match &self.value {
            Some(value) => value.clone(),
            None if self.is_input && self.role == Role::Submit => "Submit".to_owned(),
            None => String::new(),
        }
    }
}

/// Shows what a device calls something.
pub(super) fn escaped(text: &str) -> String {
    Untrusted::from(text).to_string()
}

impl fmt::Debug for Form {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let names = self
            .controls
            .iter()
            .map(|one| Untrusted::from(one.name.as_str()));
        f.debug_struct("Form")
            .field("label", &self.label())
            .field("controls", &names.collect::<Vec<_>>())
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for ControlView {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ControlView")
            .field("name", &Untrusted::from(self.name.as_str()))
            .field("kind", &self.kind)
            .field("raw", &self.raw)
            .field("disabled", &self.disabled)
            .finish_non_exhaustive()
    }
}
