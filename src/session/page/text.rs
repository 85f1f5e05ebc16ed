//! The text of an element as a person reads it.

use ego_tree::iter::Edge;
use scraper::{ElementRef, Node};

/// White space collapsed and trimmed, scripts, styles and templates left out, and a space where
/// the page breaks the line: `deck<br>2.4.1` are two words.
pub(super) fn of(element: ElementRef<'_>) -> String {
    let mut text = String::new();
    let mut unread = 0_usize;
    for edge in element.traverse() {
        match edge {
            Edge::Open(node) => match node.value() {
                Node::Text(part) if unread == 0 => text.push_str(part),
                Node::Element(inner) if is_unread(inner.name()) => unread += 1,
                Node::Element(inner) if breaks(inner.name()) => text.push(' '),
                _ => {}
            },
            Edge::Close(node) => match node.value() {
                Node::Element(inner) if is_unread(inner.name()) => unread -= 1,
                Node::Element(inner) if breaks(inner.name()) => text.push(' '),
                _ => {}
            },
        }
    }
    let words: Vec<&str> = text.split_whitespace().collect();
    words.join(" ")
}

fn is_unread(name: &str) -> bool {
    matches!(name, "script" | "style" | "template")
}

/// The elements that device pages put on lines or in cells of their own.
fn breaks(name: &str) -> bool {
    matches!(
        name,
        "br" | "hr"
            | "p"
            | "div"
            | "li"
            | "ul"
            | "ol"
            | "dl"
            | "dt"
            | "dd"
            | "table"
            | "tr"
            | "td"
            | "th"
            | "caption"
            | "h1"
            | "h2"
            | "h3"
            | "h4"
            | "h5"
            | "h6"
            | "pre"
            | "section"
            | "option"
            | "legend"
            | "fieldset"
            | "form"
    )
}
