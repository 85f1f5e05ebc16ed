//! From the tree to owned forms: whose control is whose, what is disabled, what is chosen.
//!
//! By the HTML standard: form owner (4.10.17.3), disabled (4.10.18.5), the select's own choice of
//! an option (4.10.7), radio groups (4.10.5.1.16).

use std::collections::{HashMap, HashSet};

use ego_tree::NodeId;
use encoding_rs::Encoding;
use html5ever::ns;
use scraper::ElementRef;
use url::Url;

use super::control::{Button, Choice, Control, Kind, Role};
use super::direction::Direction;
use super::form::Form;
use super::sanitise::{Bounds, LineType};
use super::submit::resolved;
use super::tree::{Tree, nodes_of_page};

/// The forms of a page in tree order, each with its element.
pub(super) fn forms(
    tree: &Tree,
    elements: &[ElementRef<'_>],
    url: &Url,
    encoding: &'static Encoding,
) -> Vec<(NodeId, Form)> {
    let base = base_url(elements, url, encoding);
    let mut forms: Vec<(NodeId, Form)> = Vec::new();
    let mut at: HashMap<NodeId, usize> = HashMap::new();
    for element in elements.iter().filter(|element| is(**element, "form")) {
        at.insert(element.id(), forms.len());
        let attr = |name| element.attr(name).map(str::to_owned);
        let form = Form {
            position: forms.len() + 1,
            id: attr("id").unwrap_or_default(),
            name: attr("name").unwrap_or_default(),
            document: url.clone(),
            base: base.clone(),
            encoding,
            action: attr("action"),
            method: attr("method"),
            enctype: attr("enctype"),
            accept_charset: attr("accept-charset"),
            controls: Vec::new(),
        };
        forms.push((element.id(), form));
    }
    let page = Page::new(tree, elements);
    let owned = elements.iter().filter_map(|element| {
        let form = page.owner(*element).and_then(|owner| at.get(&owner))?;
        Some((*form, element.id(), page.control(*element)?))
    });
    let mut owned: Vec<(usize, NodeId, Control)> = owned.collect();
    settle_radio_groups(&mut owned);
    for (form, _, control) in owned {
        if let Some((_, form)) = forms.get_mut(form) {
            form.controls.push(control);
        }
    }
    forms
}

/// Whether it is an element that a form can send (4.10.2 "submittable").
pub(super) fn is_control(element: ElementRef<'_>) -> bool {
    let submittable = ["input", "button", "select", "textarea"];
    submittable.into_iter().any(|name| is(element, name))
}

/// Whether it is this element of HTML.
pub(super) fn is(element: ElementRef<'_>, name: &str) -> bool {
    element.value().name.ns == ns!(html) && element.value().name() == name
}

/// The first `<base>` with an address counts; one that is not http says nothing.
fn base_url(elements: &[ElementRef<'_>], url: &Url, encoding: &'static Encoding) -> Url {
    let stated = elements
        .iter()
        .filter(|element| is(**element, "base"))
        .find_map(|element| element.attr("href"));
    let resolved = stated.and_then(|href| resolved(href, url, encoding).ok());
    resolved
        .filter(|base| matches!(base.scheme(), "http" | "https"))
        .unwrap_or_else(|| url.clone())
}

/// What is looked up many times, computed once.
struct Page<'a> {
    tree: &'a Tree,
    /// The first element with each id.
    ids: HashMap<&'a str, ElementRef<'a>>,
    /// The disabled fieldsets, each with its first legend.
    disabled_sets: HashMap<NodeId, Option<NodeId>>,
}

impl<'a> Page<'a> {
    fn new(tree: &'a Tree, elements: &[ElementRef<'a>]) -> Self {
        let mut ids = HashMap::new();
        let mut disabled_sets = HashMap::new();
        for element in elements {
            if let Some(id) = element.attr("id").filter(|id| !id.is_empty()) {
                ids.entry(id).or_insert(*element);
            }
            if is(*element, "fieldset") && element.attr("disabled").is_some() {
                let legend = element.child_elements().find(|child| is(*child, "legend"));
                disabled_sets.insert(element.id(), legend.map(|legend| legend.id()));
            }
        }
        Self {
            tree,
            ids,
            disabled_sets,
        }
    }

    fn owner(&self, element: ElementRef<'_>) -> Option<NodeId> {
        if !is_control(element) {
            return None;
        }
        if let Some(id) = element.attr("form") {
            let named = self.ids.get(id).filter(|named| is(**named, "form"));
            return named.map(|form| form.id());
        }
        self.tree.parser_owner(element.id()).or_else(|| {
            let mut above = element.ancestors().filter_map(ElementRef::wrap);
            above.find(|above| is(*above, "form")).map(|form| form.id())
        })
    }

    fn control(&self, element: ElementRef<'_>) -> Option<Control> {
        let line = match element.value().name() {
            "input" => line_type(element),
            _ => None,
        };
        let kind = match element.value().name() {
            "button" => Kind::Button(button(element, button_role(element))),
            "select" => select(element),
            "textarea" => Kind::Area(with_line_feeds(&direct_text(element))),
            "input" => match line {
                Some(line) => line_kind(element, line),
                None => input(element),
            },
            _ => return None,
        };
        // `<button>` has no `dirname`; an input that submits has one.
        let has_direction = match &kind {
            Kind::Line { line, .. } => line.has_direction(),
            Kind::Area(_) => true,
            Kind::Button(button) => button.is_input && button.role == Role::Submit,
            _ => false,
        };
        let dirname = element
            .attr("dirname")
            .filter(|name| has_direction && !name.is_empty())
            .map(|name| (name.to_owned(), Direction::of_control(element, line)));
        let count = |name| element.attr(name).and_then(whole_number);
        Some(Control {
            name: element.attr("name").unwrap_or_default().to_owned(),
            kind,
            disabled: element.attr("disabled").is_some() || self.in_disabled_set(element),
            in_datalist: has_above(element, "datalist"),
            dirname,
            required: element.attr("required").is_some(),
            readonly: element.attr("readonly").is_some(),
            length: (count("minlength"), count("maxlength")),
        })
    }

    /// Inside of a disabled fieldset, but not of its first legend.
    fn in_disabled_set(&self, element: ElementRef<'_>) -> bool {
        let mut below: HashSet<NodeId> = HashSet::from([element.id()]);
        element.ancestors().any(|above| {
            let disables = self
                .disabled_sets
                .get(&above.id())
                .is_some_and(|legend| legend.is_none_or(|legend| !below.contains(&legend)));
            below.insert(above.id());
            disables
        })
    }
}

/// The type of an input that holds a line of text; none for boxes, files and buttons.
fn line_type(element: ElementRef<'_>) -> Option<LineType> {
    let word = element
        .attr("type")
        .unwrap_or_default()
        .to_ascii_lowercase();
    Some(match word.as_str() {
        "checkbox" | "radio" | "file" | "submit" | "image" | "reset" | "button" => return None,
        "hidden" => LineType::Hidden,
        "search" => LineType::Search,
        "tel" => LineType::Tel,
        "url" => LineType::Url,
        "email" => LineType::Email {
            several: element.attr("multiple").is_some(),
        },
        "password" => LineType::Password,
        "date" => LineType::Date,
        "month" => LineType::Month,
        "week" => LineType::Week,
        "time" => LineType::Time,
        "datetime-local" => LineType::LocalTime,
        "number" => LineType::Number,
        "range" => LineType::Range,
        "color" => LineType::Colour,
        // What is unknown or missing is text.
        _ => LineType::Text,
    })
}

fn line_kind(element: ElementRef<'_>, line: LineType) -> Kind {
    let attr = |name| element.attr(name);
    let bounds = Bounds::of(line, attr("min"), attr("max"), attr("step"), attr("value"));
    let value = line.sanitise(attr("value").unwrap_or_default(), &bounds);
    Kind::Line {
        line,
        value,
        bounds,
    }
}

fn input(element: ElementRef<'_>) -> Kind {
    let value = element.attr("value").unwrap_or("on").to_owned();
    let checked = element.attr("checked").is_some();
    let word = element
        .attr("type")
        .unwrap_or_default()
        .to_ascii_lowercase();
    match word.as_str() {
        "checkbox" => Kind::Box { value, checked },
        "radio" => Kind::Radio { value, checked },
        "file" => Kind::File,
        "submit" => Kind::Button(button(element, Role::Submit)),
        "image" => Kind::Button(button(element, Role::Image)),
        "reset" => Kind::Button(button(element, Role::Reset)),
        _ => Kind::Button(button(element, Role::Plain)),
    }
}

/// A button submits unless it says that it does something else.
fn button_role(element: ElementRef<'_>) -> Role {
    let word = element
        .attr("type")
        .unwrap_or_default()
        .to_ascii_lowercase();
    let commands = element.attr("command").is_some() || element.attr("commandfor").is_some();
    match word.as_str() {
        "submit" => Role::Submit,
        "reset" => Role::Reset,
        "button" => Role::Plain,
        _ if commands => Role::Plain,
        _ => Role::Submit,
    }
}

fn button(element: ElementRef<'_>, role: Role) -> Button {
    let attr = |name| element.attr(name).map(str::to_owned);
    Button {
        role,
        value: attr("value"),
        is_input: is(element, "input"),
        action: attr("formaction"),
        method: attr("formmethod"),
        enctype: attr("formenctype"),
    }
}

fn select(element: ElementRef<'_>) -> Kind {
    let several = element.attr("multiple").is_some();
    let mut options: Vec<Choice> = nodes_of_page(*element)
        .filter_map(ElementRef::wrap)
        .filter(|below| is(*below, "option") && !is_nested(*below, element))
        .map(|option| Choice {
            value: option
                .attr("value")
                .map_or_else(|| text_of_option(option), str::to_owned),
            selected: option.attr("selected").is_some(),
            disabled: option.attr("disabled").is_some() || in_disabled_group(option, element),
        })
        .collect();
    let size = element
        .attr("size")
        .and_then(whole_number)
        .filter(|size| *size > 0)
        .unwrap_or(1);
    if !several {
        // Of several that are selected the last one stays; a list of one row always shows one.
        let last = options.iter().rposition(|option| option.selected);
        let chosen = last.or_else(|| {
            options
                .iter()
                .position(|option| size == 1 && !option.disabled)
        });
        for (index, option) in options.iter_mut().enumerate() {
            option.selected = Some(index) == chosen;
        }
    }
    Kind::Select { several, options }
}

/// Whether an option is none of the select's own: it lies within another option, another select, a
/// list of hints, or the second of two groups within each other (4.10.10, "option element nearest
/// ancestor select", from memory).
fn is_nested(option: ElementRef<'_>, select: ElementRef<'_>) -> bool {
    let mut groups = 0_usize;
    option
        .ancestors()
        .take_while(|above| above.id() != select.id())
        .filter_map(ElementRef::wrap)
        .any(|above| {
            groups += usize::from(is(above, "optgroup"));
            let ends = ["option", "select", "datalist", "hr"];
            groups > 1 || ends.into_iter().any(|name| is(above, name))
        })
}

fn in_disabled_group(option: ElementRef<'_>, select: ElementRef<'_>) -> bool {
    option
        .ancestors()
        .take_while(|above| above.id() != select.id())
        .filter_map(ElementRef::wrap)
        .find(|above| is(*above, "optgroup"))
        .is_some_and(|group| group.attr("disabled").is_some())
}

/// The text of an option, its white space collapsed; scripts in it do not count.
fn text_of_option(option: ElementRef<'_>) -> String {
    let text: String = nodes_of_page(*option)
        .filter_map(|node| node.value().as_text().map(|text| (node, text)))
        .filter(|(node, _)| {
            let parent = node.parent().and_then(ElementRef::wrap);
            parent.is_none_or(|parent| parent.value().name() != "script")
        })
        .map(|(_, text)| &*text.text)
        .collect();
    let words: Vec<&str> = text.split_ascii_whitespace().collect();
    words.join(" ")
}

fn direct_text(element: ElementRef<'_>) -> String {
    let texts = element
        .children()
        .filter_map(|child| child.value().as_text());
    texts.map(|text| &*text.text).collect()
}

/// CR LF and lone CR become LF, as a text area's value has it.
pub(super) fn with_line_feeds(text: &str) -> String {
    text.replace("\r\n", "\n").replace('\r', "\n")
}

fn has_above(element: ElementRef<'_>, name: &str) -> bool {
    let mut above = element.ancestors().filter_map(ElementRef::wrap);
    above.any(|above| is(above, name))
}

/// The standard's rules for non-negative integers: leading space, digits, anything after.
fn whole_number(text: &str) -> Option<usize> {
    let text = super::sanitise::trimmed(text);
    let text = text.strip_prefix('+').unwrap_or(text);
    let end = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    text.get(..end)?.parse().ok()
}

/// Of each radio group only the last one that is checked stays so: the last that the parser made,
/// which may stand before others where it was put in front of a table.
fn settle_radio_groups(owned: &mut [(usize, NodeId, Control)]) {
    let mut latest: HashMap<(usize, String), NodeId> = HashMap::new();
    for (form, id, control) in owned.iter() {
        if matches!(control.kind, Kind::Radio { checked: true, .. }) {
            let latest = latest.entry((*form, control.name.clone())).or_insert(*id);
            // The tree counts its nodes up as they are made.
            *latest = (*latest).max(*id);
        }
    }
    for (form, id, control) in owned {
        if let Kind::Radio { checked, .. } = &mut control.kind
            && *checked
            && !control.name.is_empty()
        {
            *checked = latest.get(&(*form, control.name.clone())) == Some(id);
        }
    }
}
