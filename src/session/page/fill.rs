//! Filling a control as a person would, and nothing that a person could not.
//!
//! A browser blanks, cuts or bends what a control cannot hold; filled in by a program that would
//! be a silent change of a setting. Here it is an error, and the form stays as it was. Hidden
//! controls can be set, although no person could, since a profile may name one that the page's
//! own script fills. The `pattern` of a control is not looked at.

use super::collect::with_line_feeds;
use super::control::{Choice, Control, Kind};
use super::form::{Form, FormError, escaped};
use super::sanitise::LineType;
use crate::terms::Raw;

impl Form {
    /// Sets the controls of a name, in the shape in which [`Form::raw`] reads them. What stands
    /// there already is always taken. After an error the form is unchanged.
    pub fn fill(&mut self, control: &str, raw: &Raw) -> Result<(), FormError> {
        if !self.has(control) {
            return Err(FormError::NoSuchControl {
                form: self.label(),
                control: escaped(control),
            });
        }
        if self.raw(control) == *raw {
            return Ok(());
        }
        // Worked out on a copy, so that half of a failed filling never stays.
        let mut controls = self.controls.clone();
        let mut named: Vec<&mut Control> = controls
            .iter_mut()
            .filter(|one| one.name == control && !one.is_button())
            .collect();
        if let [one] = named.as_mut_slice() {
            one.fill(raw)?;
        } else if named
            .iter()
            .all(|one| matches!(one.kind, Kind::Radio { .. }))
        {
            check_one(&mut named, raw)?;
        } else {
            fill_several(&mut named, raw)?;
        }
        self.controls = controls;
        Ok(())
    }
}

impl Control {
    fn fill(&mut self, raw: &Raw) -> Result<(), FormError> {
        match raw {
            Raw::Text(text) => self.type_in(text),
            Raw::Box(on) => self.tick(*on),
            Raw::Choice(choice) if matches!(self.kind, Kind::Radio { .. }) => {
                check_one(&mut [self], &Raw::Choice(choice.clone()))
            }
            Raw::Choice(choice) => self.choose(choice.as_deref()),
            Raw::Many(values) => self.choose_several(values),
            Raw::Missing | Raw::Json(_) => Err(self.other_kind(raw)),
        }
    }

    fn type_in(&mut self, text: &str) -> Result<(), FormError> {
        self.check_open()?;
        self.check_text(text)?;
        match &mut self.kind {
            Kind::Line { value, .. } => text.clone_into(value),
            Kind::Area(value) => *value = with_line_feeds(text),
            _ => return Err(self.other_kind(&Raw::Text(String::new()))),
        }
        Ok(())
    }

    /// Everything that a browser holds against a text, before or as it is sent.
    fn check_text(&self, text: &str) -> Result<(), FormError> {
        let control = || escaped(&self.name);
        if let Kind::Line { line, bounds, .. } = &self.kind
            && *line != LineType::Hidden
        {
            if text.contains(['\n', '\r']) {
                return Err(FormError::LineBreak { control: control() });
            }
            if line.sanitise(text, bounds) != text {
                return Err(FormError::WouldBend {
                    control: control(),
                    kind: self.word(),
                });
            }
            if *line == LineType::Number && !text.is_empty() && !bounds.admits(text) {
                return Err(FormError::OutOfBounds {
                    control: control(),
                    bounds: bounds.to_string(),
                });
            }
        }
        if !matches!(self.kind, Kind::Area(_)) && !self.is_typed() {
            return Ok(());
        }
        if text.is_empty() {
            return if self.required {
                Err(FormError::Required { control: control() })
            } else {
                Ok(())
            };
        }
        let length = with_line_feeds(text).encode_utf16().count();
        let (least, most) = self.length;
        if least.is_some_and(|least| length < least) || most.is_some_and(|most| length > most) {
            let takes = match (least, most) {
                (Some(least), Some(most)) => format!("{least} to {most}"),
                (Some(least), None) => format!("at least {least}"),
                (None, most) => format!("at most {}", most.unwrap_or_default()),
            };
            return Err(FormError::Length {
                control: control(),
                takes,
                length,
            });
        }
        Ok(())
    }

    /// Whether `required` and the lengths mean something on it.
    fn is_typed(&self) -> bool {
        matches!(&self.kind, Kind::Line { line, .. }
            if !matches!(line, LineType::Hidden | LineType::Range | LineType::Colour))
    }

    fn tick(&mut self, on: bool) -> Result<(), FormError> {
        self.check_not_disabled()?;
        if self.required && !on && matches!(self.kind, Kind::Box { .. }) {
            return Err(FormError::Required {
                control: escaped(&self.name),
            });
        }
        match &mut self.kind {
            Kind::Box { checked, .. } => *checked = on,
            _ => return Err(self.other_kind(&Raw::Box(on))),
        }
        Ok(())
    }

    fn choose(&mut self, choice: Option<&str>) -> Result<(), FormError> {
        self.check_not_disabled()?;
        let name = escaped(&self.name);
        let Kind::Select {
            several: false,
            options,
        } = &mut self.kind
        else {
            return Err(self.other_kind(&Raw::Choice(None)));
        };
        let Some(choice) = choice else {
            return Err(FormError::AlwaysChosen { control: name });
        };
        let Some(chosen) = options.iter().position(|option| option.is(choice)) else {
            return Err(not_offered(name, options));
        };
        for (index, option) in options.iter_mut().enumerate() {
            option.selected = index == chosen;
        }
        Ok(())
    }

    fn choose_several(&mut self, values: &[String]) -> Result<(), FormError> {
        self.check_not_disabled()?;
        let name = escaped(&self.name);
        let Kind::Select {
            several: true,
            options,
        } = &mut self.kind
        else {
            return Err(self.other_kind(&Raw::Many(Vec::new())));
        };
        for option in options.iter_mut().filter(|option| !option.disabled) {
            option.selected = false;
        }
        for value in values {
            // Two options of one value are two choices: each value takes one that is left. One
            // that is disabled can neither be chosen nor be given up.
            let free = options
                .iter()
                .position(|option| option.is(value) && !option.selected);
            let held = || {
                options
                    .iter()
                    .any(|option| option.disabled && option.selected && option.value == *value)
            };
            match free {
                Some(free) => {
                    if let Some(option) = options.get_mut(free) {
                        option.selected = true;
                    }
                }
                None if held() => {}
                None => return Err(not_offered(name, options)),
            }
        }
        Ok(())
    }

    fn check_open(&self) -> Result<(), FormError> {
        self.check_not_disabled()?;
        if self.readonly && (matches!(self.kind, Kind::Area(_)) || self.is_typed()) {
            return Err(self.fixed("read-only"));
        }
        Ok(())
    }

    fn check_not_disabled(&self) -> Result<(), FormError> {
        if self.disabled {
            return Err(self.fixed("disabled"));
        }
        Ok(())
    }

    fn fixed(&self, why: &'static str) -> FormError {
        FormError::Fixed {
            control: escaped(&self.name),
            why,
        }
    }

    fn other_kind(&self, raw: &Raw) -> FormError {
        FormError::OtherKind {
            control: escaped(&self.name),
            kind: self.word(),
            given: shape(raw),
        }
    }
}

impl Choice {
    /// Whether a person can choose this value here.
    fn is(&self, value: &str) -> bool {
        !self.disabled && self.value == value
    }
}

/// Checks the radio button of that value and no other of its group.
fn check_one(group: &mut [&mut Control], raw: &Raw) -> Result<(), FormError> {
    let name = escaped(
        group
            .first()
            .map(|one| one.name.as_str())
            .unwrap_or_default(),
    );
    let choice = match (raw, group.first()) {
        (Raw::Choice(Some(choice)), _) => choice,
        (Raw::Choice(None), _) => return Err(FormError::AlwaysChosen { control: name }),
        (other, Some(first)) => return Err(first.other_kind(other)),
        (_, None) => return Ok(()),
    };
    let value_of = |one: &Control| match &one.kind {
        Kind::Radio { value, .. } if !one.disabled => Some(value.clone()),
        _ => None,
    };
    let offered: Vec<Option<String>> = group.iter().map(|one| value_of(one)).collect();
    let Some(chosen) = offered
        .iter()
        .position(|value| value.as_ref() == Some(choice))
    else {
        return Err(FormError::NotOffered {
            control: name,
            offered: listed(offered.iter().flatten()),
        });
    };
    for (index, one) in group.iter_mut().enumerate() {
        if let Kind::Radio { checked, .. } = &mut one.kind {
            *checked = index == chosen;
        }
    }
    Ok(())
}

/// Lays values onto the controls of one name in their order: a line of text takes the next value,
/// a box takes it if it is its own and is left unchecked otherwise. Hidden lines among boxes keep
/// theirs, which has to be among the values.
fn fill_several(named: &mut [&mut Control], raw: &Raw) -> Result<(), FormError> {
    let controls = named.len();
    let Some(first) = named.first() else {
        return Ok(());
    };
    let Raw::Many(values) = raw else {
        return Err(FormError::OtherKind {
            control: escaped(&first.name),
            kind: "several controls of this name",
            given: shape(raw),
        });
    };
    let name = escaped(&first.name);
    let do_not_fit = || FormError::DoNotFit {
        control: name.clone(),
        given: values.len(),
        controls,
    };
    let is_text = |one: &Control| matches!(one.kind, Kind::Line { .. } | Kind::Area(_));
    let all_text = named.iter().all(|one| is_text(one));
    let mut left = values.iter().peekable();
    for one in named.iter_mut() {
        match &one.kind {
            Kind::Line { value, .. } | Kind::Area(value) => {
                let next = left.next().ok_or_else(do_not_fit)?;
                if next != value {
                    let is_mark = matches!(
                        one.kind,
                        Kind::Line {
                            line: LineType::Hidden,
                            ..
                        }
                    );
                    if is_mark && !all_text {
                        return Err(do_not_fit());
                    }
                    one.type_in(next)?;
                }
            }
            Kind::Box { value, checked } => {
                let on = left.next_if(|next| *next == value).is_some();
                if on != *checked {
                    one.tick(on)?;
                }
            }
            // Selects and radio groups that share a name with others have no clear share of the
            // values: they must stay as they are.
            _ => {
                for kept in one.values() {
                    left.next_if(|next| **next == kept).ok_or_else(do_not_fit)?;
                }
            }
        }
    }
    if left.next().is_some() {
        return Err(do_not_fit());
    }
    Ok(())
}

fn not_offered(control: String, options: &[Choice]) -> FormError {
    let offered = options.iter().filter(|option| !option.disabled);
    FormError::NotOffered {
        control,
        offered: listed(offered.map(|option| &option.value)),
    }
}

/// Choices as a person reads them, at most a dozen.
fn listed<'a>(values: impl Iterator<Item = &'a String>) -> String {
    let mut shown: Vec<String> = values
        .take(13)
        .map(|value| format!("`{}`", escaped(value)))
        .collect();
    match shown.len() {
        0 => "nothing".to_owned(),
        13 => {
            shown.truncate(12);
            format!("{} and more", shown.join(", "))
        }
        _ => shown.join(", "),
    }
}

fn shape(raw: &Raw) -> &'static str {
    match raw {
        Raw::Missing => "nothing",
        Raw::Text(_) => "a text",
        Raw::Box(_) => "on or off",
        Raw::Choice(_) => "a choice",
        Raw::Many(_) => "several values",
        Raw::Json(_) => "a JSON value",
    }
}
