//! Which way a text runs, for controls that send it along (`dirname`).
//!
//! By the HTML standard, 3.2.6.4 "The dir attribute".

use scraper::ElementRef;
use unicode_bidi::{BidiClass, bidi_class};

use super::sanitise::LineType;
use super::tree::nodes_of_page;

/// Nodes, and characters of each text, that are looked through for a strong character: a hostile
/// page cannot make each of its controls search all of its text.
const LOOKED_THROUGH: usize = 100;
const CHARACTERS: usize = 1_000;

/// Which way the text of a control runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Direction {
    LeftToRight,
    RightToLeft,
    /// As its value says at the time it is sent.
    ByValue,
}

impl Direction {
    /// Where a control's text runs; `line` is its type unless it is a text area.
    pub(super) fn of_control(control: ElementRef<'_>, line: Option<LineType>) -> Self {
        match dir(control) {
            Some(Dir::Auto) => Direction::ByValue,
            Some(Dir::Fixed(direction)) => direction,
            None if line == Some(LineType::Tel) => Direction::LeftToRight,
            None => of_parent(control),
        }
    }

    /// The word that is sent.
    pub(super) fn word(self, value: &str) -> &'static str {
        let direction = match self {
            Direction::ByValue => first_strong(value).unwrap_or(Direction::LeftToRight),
            fixed => fixed,
        };
        if direction == Direction::RightToLeft {
            "rtl"
        } else {
            "ltr"
        }
    }
}

enum Dir {
    Fixed(Direction),
    Auto,
}

fn dir(element: ElementRef<'_>) -> Option<Dir> {
    let word = element.attr("dir")?.to_ascii_lowercase();
    match word.as_str() {
        "ltr" => Some(Dir::Fixed(Direction::LeftToRight)),
        "rtl" => Some(Dir::Fixed(Direction::RightToLeft)),
        "auto" => Some(Dir::Auto),
        _ => None,
    }
}

fn of_parent(element: ElementRef<'_>) -> Direction {
    for above in element.ancestors().filter_map(ElementRef::wrap) {
        match dir(above) {
            Some(Dir::Fixed(direction)) => return direction,
            Some(Dir::Auto) => return of_contents(above),
            None if above.value().name() == "bdi" => return of_contents(above),
            None => {}
        }
    }
    Direction::LeftToRight
}

/// The direction of the first strong character below, leaving out what has a direction of its own.
fn of_contents(element: ElementRef<'_>) -> Direction {
    let counts = |above: ElementRef<'_>| {
        dir(above).is_none()
            && !matches!(
                above.value().name(),
                "bdi" | "script" | "style" | "textarea"
            )
    };
    nodes_of_page(*element)
        .take(LOOKED_THROUGH)
        .filter_map(|node| node.value().as_text().map(|text| (node, text)))
        .filter(|(node, _)| {
            node.ancestors()
                .take_while(|above| above.id() != element.id())
                .filter_map(ElementRef::wrap)
                .all(counts)
        })
        .find_map(|(_, text)| first_strong(text))
        .unwrap_or(Direction::LeftToRight)
}

fn first_strong(text: &str) -> Option<Direction> {
    text.chars()
        .take(CHARACTERS)
        .find_map(|c| match bidi_class(c) {
            BidiClass::L => Some(Direction::LeftToRight),
            BidiClass::R | BidiClass::AL => Some(Direction::RightToLeft),
            _ => None,
        })
}
