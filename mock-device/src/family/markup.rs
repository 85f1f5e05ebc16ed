//! Controls as markup, with every value escaped.

/// An input; `more` are further attributes.
pub(crate) fn input(kind: &str, name: &str, value: &str, more: &str) -> String {
    let space = if more.is_empty() { "" } else { " " };
    format!(
        "<input type=\"{kind}\" name=\"{name}\" value=\"{}\"{space}{more}>",
        escape(value)
    )
}

/// A group of radio buttons, as values and labels.
pub(crate) fn radios(name: &str, words: &[(&str, &str)], chosen: &str) -> String {
    all(words.iter().map(|(value, label)| {
        let checked = if *value == chosen { "checked" } else { "" };
        let control = input("radio", name, value, checked);
        format!("<label>{control} {label}</label> ")
    }))
}

/// A list to choose one of, as values and labels.
pub(crate) fn select<'a>(
    name: &str,
    options: impl Iterator<Item = (&'a str, &'a str)>,
    chosen: usize,
) -> String {
    let options = all(options.enumerate().map(|(index, (value, label))| {
        let selected = if index == chosen { " selected" } else { "" };
        format!("<option value=\"{value}\"{selected}>{label}</option>")
    }));
    format!("<select name=\"{name}\">{options}</select>")
}

/// A submit button of the name `act`.
pub(crate) fn button(value: &str, label: &str) -> String {
    format!("<button name=\"act\" value=\"{value}\">{label}</button>")
}

/// One after another.
pub(crate) fn all(parts: impl Iterator<Item = String>) -> String {
    parts.collect::<Vec<_>>().concat()
}

/// Text as it may stand in an element and in a quoted attribute.
pub(crate) fn escape(text: &str) -> String {
    text.chars().fold(String::new(), |mut out, c| {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
        out
    })
}
