//! The bounded parse of a page: html5ever over scraper's tree, stopped when the tree outgrows its
//! limits, with the form owners that the parser gave.
//!
//! It guards against three things. scraper's own sink drops `associate_with_form`, so that the
//! controls of a form opened between `<table>` and `<tr>` would belong to nobody. html5ever's cost
//! grows with the square of the nesting, and formatting elements that are opened again and again
//! make many nodes of few bytes. With scripting on, `<noscript>` would be text, and some devices
//! keep their only button there.

use std::borrow::Cow;
use std::cell::{Cell, Ref, RefCell};
use std::collections::HashMap;
use std::time::Instant;

use ego_tree::iter::Edge;
use ego_tree::{NodeId, NodeRef};
use html5ever::driver::{ParseOpts, parse_document};
use html5ever::tendril::{StrTendril, TendrilSink};
use html5ever::tree_builder::{ElementFlags, NodeOrText, QuirksMode, TreeBuilderOpts, TreeSink};
use html5ever::{Attribute, QualName};
use scraper::{ElementRef, Html, HtmlTreeSink, Node};

use super::{PageError, PageLimits};

/// Bytes that the parser is fed between two looks at the limits: the most by which a page can
/// overrun them is what so many bytes can open.
pub(super) const PIECE: usize = 256;

/// A page as a tree, with the owners that the parser set.
pub(super) struct Tree {
    html: Html,
    owners: HashMap<NodeId, NodeId>,
}

impl Tree {
    /// Parses a page with scripting off.
    pub(super) fn parse(text: &str, limits: &PageLimits) -> Result<Self, PageError> {
        let mut parser = parse_document(Sink::new(limits), options());
        let begun = Instant::now();
        for piece in pieces(text) {
            parser.process(StrTendril::from_slice(piece));
            if let Some(over) = parser.tokenizer.sink.sink.over.take() {
                return Err(over);
            }
            if begun.elapsed() > limits.time {
                return Err(PageError::TooSlow {
                    seconds: limits.time.as_secs(),
                });
            }
        }
        // What the parser moved about may stand a little deeper than it was seen; nothing from here
        // on goes down the tree by recursion.
        Ok(parser.finish())
    }

    /// Every element in tree order. The contents of a `<template>` are no part of the page.
    pub(super) fn elements(&self) -> Vec<ElementRef<'_>> {
        nodes_of_page(self.html.tree.root())
            .filter_map(ElementRef::wrap)
            .collect()
    }

    /// The form that the parser made the owner of a control.
    pub(super) fn parser_owner(&self, control: NodeId) -> Option<NodeId> {
        self.owners.get(&control).copied()
    }
}

/// A node and all below it in tree order, without the contents of templates.
pub(super) fn nodes_of_page(top: NodeRef<'_, Node>) -> impl Iterator<Item = NodeRef<'_, Node>> {
    let mut inside_template = 0_usize;
    top.traverse().filter_map(move |edge| {
        match edge {
            Edge::Open(node) if node.value().is_fragment() => inside_template += 1,
            Edge::Close(node) if node.value().is_fragment() => inside_template -= 1,
            Edge::Open(node) if inside_template == 0 => return Some(node),
            _ => {}
        }
        None
    })
}

/// What a device's page is parsed with.
pub(super) fn options() -> ParseOpts {
    ParseOpts {
        tree_builder: TreeBuilderOpts {
            scripting_enabled: false,
            ..TreeBuilderOpts::default()
        },
        ..ParseOpts::default()
    }
}

/// Cuts text into pieces of about [`PIECE`] bytes, between characters.
pub(super) fn pieces(mut text: &str) -> impl Iterator<Item = &str> {
    std::iter::from_fn(move || {
        if text.is_empty() {
            return None;
        }
        let (piece, rest) = text.split_at(text.ceil_char_boundary(PIECE));
        text = rest;
        Some(piece)
    })
}

/// scraper's sink, with eyes on the limits and on form owners.
struct Sink {
    inner: HtmlTreeSink,
    owners: RefCell<HashMap<NodeId, NodeId>>,
    created: Cell<usize>,
    over: Cell<Option<PageError>>,
    nesting: usize,
    nodes: usize,
}

impl Sink {
    fn new(limits: &PageLimits) -> Self {
        Self {
            inner: HtmlTreeSink::new(Html::new_document()),
            owners: RefCell::default(),
            created: Cell::new(0),
            over: Cell::new(None),
            nesting: limits.nesting,
            nodes: limits.nodes,
        }
    }

    fn count(&self) {
        self.created.set(self.created.get() + 1);
        if self.created.get() > self.nodes {
            self.over
                .set(Some(PageError::TooManyNodes { limit: self.nodes }));
        }
    }

    /// Looks at which level an element has come to stand. Walking up costs at most the limit.
    fn look(&self, placed: Option<NodeId>) {
        let html = self.inner.0.borrow();
        let element = placed
            .and_then(|id| html.tree.get(id))
            .filter(|node| node.value().is_element());
        // The document is among the ancestors and is no level of its own: that makes up for the
        // element itself.
        let level = element.map_or(0, |node| node.ancestors().take(self.nesting + 1).count());
        if level > self.nesting {
            self.over.set(Some(PageError::TooDeep {
                limit: self.nesting,
            }));
        }
    }

    /// What is taken out of the tree loses the form that the parser gave it, unless the form goes
    /// along (HTML standard, 4.10.17.3 "resetting the form owner"): put back elsewhere it belongs to
    /// the form around it, if there is one.
    fn disown(&self, top: NodeId) {
        let mut owners = self.owners.borrow_mut();
        if owners.is_empty() {
            return;
        }
        let html = self.inner.0.borrow();
        for control in html
            .tree
            .get(top)
            .into_iter()
            .flat_map(|top| top.descendants())
        {
            let form = owners
                .get(&control.id())
                .and_then(|form| html.tree.get(*form));
            let goes_along = |form: NodeRef<'_, Node>| {
                form.id() == top || form.ancestors().any(|above| above.id() == top)
            };
            if form.is_some_and(|form| !goes_along(form)) {
                owners.remove(&control.id());
            }
        }
    }

    fn root_of(&self, node: NodeId) -> Option<NodeId> {
        let html = self.inner.0.borrow();
        let node = html.tree.get(node)?;
        Some(node.ancestors().last().unwrap_or(node).id())
    }
}

impl TreeSink for Sink {
    type Output = Tree;
    type Handle = NodeId;
    type ElemName<'a> = Ref<'a, QualName>;

    fn finish(self) -> Tree {
        Tree {
            html: self.inner.finish(),
            owners: self.owners.into_inner(),
        }
    }

    fn parse_error(&self, message: Cow<'static, str>) {
        self.inner.parse_error(message);
    }

    fn get_document(&self) -> NodeId {
        self.inner.get_document()
    }

    fn elem_name<'a>(&'a self, target: &'a NodeId) -> Ref<'a, QualName> {
        self.inner.elem_name(target)
    }

    fn create_element(&self, name: QualName, attrs: Vec<Attribute>, flags: ElementFlags) -> NodeId {
        self.count();
        self.inner.create_element(name, attrs, flags)
    }

    fn create_comment(&self, text: StrTendril) -> NodeId {
        self.count();
        self.inner.create_comment(text)
    }

    fn create_pi(&self, target: StrTendril, data: StrTendril) -> NodeId {
        self.count();
        self.inner.create_pi(target, data)
    }

    fn append(&self, parent: &NodeId, child: NodeOrText<NodeId>) {
        let placed = node_of(&child);
        self.inner.append(parent, child);
        self.look(placed);
    }

    fn append_based_on_parent_node(
        &self,
        element: &NodeId,
        prev_element: &NodeId,
        child: NodeOrText<NodeId>,
    ) {
        let placed = node_of(&child);
        self.inner
            .append_based_on_parent_node(element, prev_element, child);
        self.look(placed);
    }

    fn append_doctype_to_document(&self, name: StrTendril, public: StrTendril, system: StrTendril) {
        self.inner.append_doctype_to_document(name, public, system);
    }

    fn get_template_contents(&self, target: &NodeId) -> NodeId {
        self.inner.get_template_contents(target)
    }

    fn same_node(&self, x: &NodeId, y: &NodeId) -> bool {
        self.inner.same_node(x, y)
    }

    fn set_quirks_mode(&self, mode: QuirksMode) {
        self.inner.set_quirks_mode(mode);
    }

    fn append_before_sibling(&self, sibling: &NodeId, new_node: NodeOrText<NodeId>) {
        let placed = node_of(&new_node);
        self.inner.append_before_sibling(sibling, new_node);
        self.look(placed);
    }

    fn add_attrs_if_missing(&self, target: &NodeId, attrs: Vec<Attribute>) {
        self.inner.add_attrs_if_missing(target, attrs);
    }

    /// The parser asks this for the place where the control is about to go; the standard lets it
    /// happen only when that place and the form are in one tree.
    fn associate_with_form(
        &self,
        target: &NodeId,
        form: &NodeId,
        nodes: (&NodeId, Option<&NodeId>),
    ) {
        let form_root = self.root_of(*form);
        let near = [Some(nodes.0), nodes.1];
        if near
            .into_iter()
            .flatten()
            .any(|node| self.root_of(*node) == form_root)
        {
            self.owners.borrow_mut().insert(*target, *form);
        }
    }

    fn remove_from_parent(&self, target: &NodeId) {
        self.disown(*target);
        self.inner.remove_from_parent(target);
    }

    fn reparent_children(&self, node: &NodeId, new_parent: &NodeId) {
        let children: Vec<NodeId> = {
            let html = self.inner.0.borrow();
            let node = html.tree.get(*node);
            let children = node.into_iter().flat_map(|node| node.children());
            children.map(|child| child.id()).collect()
        };
        for child in children {
            self.disown(child);
        }
        self.inner.reparent_children(node, new_parent);
        self.look(Some(*new_parent));
    }
}

fn node_of(child: &NodeOrText<NodeId>) -> Option<NodeId> {
    match child {
        NodeOrText::AppendNode(id) => Some(*id),
        NodeOrText::AppendText(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn created(page: &str, limits: &PageLimits) -> (usize, Option<PageError>) {
        let mut parser = parse_document(Sink::new(limits), options());
        let mut over = None;
        for piece in pieces(page) {
            parser.process(StrTendril::from_slice(piece));
            over = parser.tokenizer.sink.sink.over.take();
            if over.is_some() {
                break;
            }
        }
        (parser.tokenizer.sink.sink.created.get(), over)
    }

    #[test]
    fn a_mebibyte_of_nesting_stops_within_one_piece_of_the_limit() {
        let limits = PageLimits::default();
        let page = "<div>".repeat((1 << 20) / 5);
        let (nodes, over) = created(&page, &limits);
        assert!(
            matches!(over, Some(PageError::TooDeep { limit: 512 })),
            "{over:?}"
        );
        assert!(
            nodes <= limits.nesting + PIECE / "<div>".len() + 3,
            "{nodes} nodes"
        );
        assert!(matches!(
            Tree::parse(&page, &limits),
            Err(PageError::TooDeep { limit: 512 })
        ));
    }

    #[test]
    fn nesting_up_to_the_limit_is_read() {
        // html and body are two of the levels.
        let limits = PageLimits::default();
        let page = |divs: usize| "<div>".repeat(divs) + "text" + &"</div>".repeat(divs);
        assert!(Tree::parse(&page(limits.nesting - 2), &limits).is_ok());
        assert!(matches!(
            Tree::parse(&page(limits.nesting - 1), &limits),
            Err(PageError::TooDeep { .. })
        ));
    }

    #[test]
    fn formatting_that_is_opened_again_in_each_paragraph_is_stopped_by_the_count_of_nodes() {
        let limits = PageLimits {
            nodes: 5_000,
            ..PageLimits::default()
        };
        let bold: Vec<String> = (0..400).map(|n| format!("<b a={n}>")).collect();
        let page = bold.concat() + &"</p><p>x".repeat(10_000);
        let (nodes, over) = created(&page, &limits);
        assert!(
            matches!(over, Some(PageError::TooManyNodes { limit: 5_000 })),
            "{over:?}"
        );
        assert!(nodes < 5_000 + 400 * PIECE, "{nodes} nodes");
    }

    #[test]
    fn contents_of_a_template_are_no_part_of_the_page() {
        let page = "<p>a<template><input><template><p></template></template><input id=b>";
        let tree = Tree::parse(page, &PageLimits::default()).expect("a small page");
        let names: Vec<&str> = tree.elements().iter().map(|e| e.value().name()).collect();
        assert_eq!(names, ["html", "head", "body", "p", "template", "input"]);
    }
}
