//! The format of a profile file, as a description: every key, what it takes and what it is for.
//!
//! This, with `format_setting.rs`, is the only list of keys. The loader checks a file by it and
//! `family.schema.json` is made from it. `format = 1` stands for exactly this; a key may be added,
//! none changes its meaning.

use super::format_setting::{PATTERNS, SETTING};
use super::shape::{Key, Keys, Names, Shape, Table, may, need};

/// The newest format that this program reads.
pub(super) const FORMAT: i64 = 1;

/// A whole profile.
pub(super) static FAMILY: Table = Table {
    name: "family",
    doc: "How one family of receivers or transmitters behaves.",
    keys: &[
        need("format", &Shape::Format, "`format = 1` is this format"),
        need("family", &Shape::Name, "the family's name, also the file's"),
        need("title", &Shape::Words, "what a person reads for the family"),
        need(
            "role",
            &Shape::Word(&["receiver", "transmitter"]),
            "which of the two ends it is",
        ),
        need(
            "system",
            &Shape::Name,
            "the system whose rules say what must agree between the ends",
        ),
        may(
            "network",
            &Shape::Table(&NETWORK),
            "its fallback network, if it opens one",
        ),
        may(
            "announce",
            &Shape::Table(&ANNOUNCE),
            "how it is announced on a local network that it has joined; left out: it is not",
        ),
        need(
            "identity",
            &Shape::Table(&IDENTITY),
            "which marks tell its devices apart",
        ),
        need(
            "recognise",
            &Shape::List(&Shape::Table(&RECOGNISE)),
            "what must stand in an answer for a device to be of this family; all of them count",
        ),
        may(
            "login",
            &Shape::Table(&LOGIN),
            "how one gets in; left out: it asks for nothing",
        ),
        may("restart", &Shape::Table(&RESTART), "how it restarts"),
        may(
            "bind-mode",
            &Shape::Table(&BIND_MODE),
            "how it is made to listen for a transmitter that binds; left out: it cannot be",
        ),
        may(
            "faulty",
            &PATTERNS,
            "what stands where when the processor does not reach its radio part",
        ),
        may(
            "volatile",
            &Shape::List(&Shape::Of(Names::Place)),
            "places that change by themselves, such as one-time tokens and uptime",
        ),
        need(
            "request",
            &Shape::Map(Keys::Names, &Shape::Table(&REQUEST)),
            "what can be asked of it, by name",
        ),
        need(
            "place",
            &Shape::Map(Keys::Names, &Shape::Table(&PLACE)),
            "where raw things stand in the answers, by name",
        ),
        need(
            "setting",
            &Shape::Map(Keys::Names, &Shape::Table(&SETTING)),
            "what the raw things mean, by name, in the order in which a person reads them",
        ),
        may(
            "save",
            &Shape::Map(Keys::Names, &Shape::Table(&SAVE)),
            "how settings are written, by name: each is one request",
        ),
        may(
            "save-order",
            &Shape::List(&Shape::Of(Names::Save)),
            "all saves in the order in which they are to be sent; needed where there are several",
        ),
    ],
    groups: &[],
};

static NETWORK: Table = Table {
    name: "network",
    doc: "The access point that a device opens by itself.",
    keys: &[
        need(
            "names",
            &Shape::List(&Shape::Words),
            "its names; `*` stands for any characters",
        ),
        need(
            "security",
            &Shape::Word(&["open", "wpa2", "wpa3"]),
            "how it is secured",
        ),
        may(
            "passphrase",
            &Shape::Text,
            "the passphrase of every device, if the manual prints one: 8 to 63 ASCII characters",
        ),
        need("address", &Shape::Address, "the device's own address in it"),
        may(
            "host-address",
            &Shape::Words,
            "an IPv4 address and prefix length for this computer in it, such as 192.168.77.9/24; left out: the device gives one",
        ),
        need(
            "opens-s",
            &SPAN,
            "seconds after power-up within which it opens",
        ),
    ],
    groups: &[],
};

static ANNOUNCE: Table = Table {
    name: "announce",
    doc: "A service of DNS-SD (RFC 6763) over mDNS, and what its TXT record says.",
    keys: &[
        need(
            "service",
            &Shape::Service,
            "the service type, such as `_tarn-boat._tcp`",
        ),
        may(
            "txt",
            &Shape::Map(Keys::Free, &Shape::Template),
            "what each key of the TXT record must say; a hole `{}` is anything",
        ),
        may(
            "serial",
            &Shape::Words,
            "the key of `txt` whose hole is the serial",
        ),
        may(
            "bssid",
            &Shape::Words,
            "the key of `txt` whose hole is the BSSID of its own access point",
        ),
    ],
    groups: &[],
};

static SPAN_TABLE: Table = Table {
    name: "span",
    doc: "A range of seconds.",
    keys: &[
        need("from", &Shape::Number, "earliest, in s"),
        need("to", &Shape::Number, "latest, in s"),
    ],
    groups: &[],
};
static SPAN: Shape = Shape::Table(&SPAN_TABLE);

static IDENTITY: Table = Table {
    name: "identity",
    doc: "Which marks tell devices of the family apart.",
    keys: &[
        may(
            "serial",
            &Shape::Of(Names::Place),
            "the place that shows its serial",
        ),
        need(
            "bssid",
            &Shape::Word(&["stable", "changes"]),
            "whether its access point keeps its BSSID over restarts",
        ),
    ],
    groups: &[],
};

static RECOGNISE: Table = Table {
    name: "recognise",
    doc: "One thing that must stand in an answer.",
    keys: &[
        need(
            "request",
            &Shape::Of(Names::Request),
            "a request that neither acts nor needs a login",
        ),
        AT[0],
        AT[1],
        AT[2],
        AT[3],
        AT[4],
        need(
            "text",
            &Shape::Template,
            "what must stand there; a hole `{}` is anything",
        ),
    ],
    groups: &[AT_GROUP],
};

/// Where in an answer something stands.
const AT: [Key; 5] = [
    may(
        "css",
        &Shape::Selector,
        "HTML: the one element whose text it is",
    ),
    may(
        "control",
        &Shape::Words,
        "HTML: the name of a control of a form",
    ),
    may(
        "form",
        &Shape::Selector,
        "with `control`: which form, where several have such a control",
    ),
    may(
        "pointer",
        &Shape::Pointer,
        "JSON: a JSON Pointer (RFC 6901)",
    ),
    may(
        "line",
        &Shape::Words,
        "lines: the key of a `key: value` line",
    ),
];
const AT_GROUP: &[&str] = &["css", "control", "pointer", "line"];

static LOGIN: Table = Table {
    name: "login",
    doc: "How one gets in.",
    keys: &[
        may("basic", &Shape::True, "HTTP Basic (RFC 7617)"),
        may("digest", &Shape::True, "HTTP Digest (RFC 7616)"),
        may(
            "form",
            &Shape::Table(&LOGIN_FORM),
            "a login form that is answered with a cookie",
        ),
    ],
    groups: &[&["basic", "digest", "form"]],
};

static LOGIN_FORM: Table = Table {
    name: "login-form",
    doc: "A login form.",
    keys: &[
        need(
            "request",
            &Shape::Of(Names::Request),
            "the page that holds it",
        ),
        need("select", &Shape::Selector, "which form of the page"),
        may("user", &Shape::Words, "the control for the user's name"),
        need("password", &Shape::Words, "the control for the password"),
        may("press", &Shape::Table(&PRESS), "the button that is pressed"),
    ],
    groups: &[],
};

static RESTART: Table = Table {
    name: "restart",
    doc: "How it restarts.",
    keys: &[
        need("by", &Shape::Table(&RESTART_BY), "what makes it restart"),
        need(
            "returns",
            &Shape::Word(&["at-once", "after-wait", "by-hand"]),
            "when its network is there again: as soon as it has started, after it has listened for its transmitter in vain, or after a power cycle by hand",
        ),
        need("within-s", &SPAN, "seconds until it is there again"),
        may(
            "witness",
            &Shape::Table(&WITNESS),
            "what tells that it has restarted",
        ),
    ],
    groups: &[],
};

static RESTART_BY: Table = Table {
    name: "restart-by",
    doc: "What makes it restart.",
    keys: &[
        may(
            "request",
            &Shape::Of(Names::Request),
            "a request of its own, which acts",
        ),
        may(
            "saving",
            &Shape::True,
            "each save that says `restarts = true`",
        ),
    ],
    groups: &[&["request", "saving"]],
};

static WITNESS: Table = Table {
    name: "witness",
    doc: "A place that tells a restart.",
    keys: &[
        may(
            "falls",
            &Shape::Of(Names::Place),
            "seconds since start: less after a restart",
        ),
        may(
            "changes",
            &Shape::Of(Names::Place),
            "another value after each start",
        ),
    ],
    groups: &[&["falls", "changes"]],
};

static BIND_MODE: Table = Table {
    name: "bind-mode",
    doc: "How it is made to listen for a transmitter that binds.",
    keys: &[
        may(
            "request",
            &Shape::Of(Names::Request),
            "by a request, which acts",
        ),
        may(
            "shows",
            &PATTERNS,
            "with `request`: what stands where while it is in bind mode, at volatile places",
        ),
        may(
            "power-cycles",
            &Shape::Whole,
            "by hand: so many short power cycles, one after the other",
        ),
    ],
    groups: &[&["request", "power-cycles"]],
};

static REQUEST: Table = Table {
    name: "request",
    doc: "One thing that can be asked of a device.",
    keys: &[
        may("get", &Shape::Path, "GET this path"),
        may("post", &Shape::Path, "POST to this path"),
        may("put", &Shape::Path, "PUT to this path"),
        may("patch", &Shape::Path, "PATCH this path (RFC 5789)"),
        may(
            "as",
            &Shape::Word(&["html", "json", "lines"]),
            "what its answer is read as; left out: the answer is not looked at",
        ),
        may(
            "acts",
            &Shape::Flag,
            "whether it makes the device do something: then it is never repeated by itself",
        ),
        may("login", &Shape::Flag, "whether one must be logged in"),
        may(
            "ends",
            &Shape::Words,
            "what a whole answer ends with, such as `</html>`",
        ),
        may("body", &Shape::Table(&BODY), "what it carries"),
    ],
    groups: &[&["get", "post", "put", "patch"]],
};

static BODY: Table = Table {
    name: "body",
    doc: "What a request carries, made from places and fixed parts.",
    keys: &[
        need("encoding", &ENCODING, "how it is written"),
        need(
            "fields",
            &FIELDS,
            "what stands in it, in order; all are always sent",
        ),
    ],
    groups: &[],
};
static ENCODING: Shape = Shape::Word(&["urlencoded", "multipart", "json"]);
static FIELDS: Shape = Shape::List(&Shape::Table(&FIELD));

static FIELD: Table = Table {
    name: "field",
    doc: "One field of a body.",
    keys: &[
        need(
            "key",
            &Shape::Text,
            "its name; in a JSON body a JSON Pointer into it",
        ),
        may(
            "place",
            &Shape::Of(Names::Place),
            "what stands at this place, as read or as planned",
        ),
        may("fixed", &Shape::Json, "always this"),
    ],
    groups: &[&["place", "fixed"]],
};

static PLACE: Table = Table {
    name: "place",
    doc: "Where a raw thing stands.",
    keys: &[
        need(
            "request",
            &Shape::Of(Names::Request),
            "in the answer to this request",
        ),
        AT[0],
        AT[1],
        AT[2],
        AT[3],
        AT[4],
        may(
            "text",
            &Shape::Template,
            "what surrounds it there, such as `No. {}`; for `css` and `line`",
        ),
        may("optional", &Shape::Flag, "whether it may be missing"),
    ],
    groups: &[AT_GROUP],
};

static SAVE: Table = Table {
    name: "save",
    doc: "One way to write settings: one request that acts.",
    keys: &[
        may(
            "form",
            &Shape::Table(&SAVE_FORM),
            "the page's own form, filled as a browser would",
        ),
        may(
            "body",
            &Shape::Table(&SAVE_BODY),
            "a body of another shape than what was read",
        ),
        may(
            "document",
            &Shape::Table(&SAVE_DOCUMENT),
            "the whole JSON document as read, with the differences",
        ),
        may("one", &Shape::Table(&SAVE_ONE), "one JSON value"),
        may(
            "merge",
            &Shape::Table(&SAVE_MERGE),
            "a JSON merge patch (RFC 7396) of the differences",
        ),
        may(
            "pass",
            &Shape::List(&Shape::Words),
            "with `form`: controls that go along as they are",
        ),
        may(
            "agrees",
            &Shape::Map(Keys::Free, &Shape::Of(Names::Place)),
            "with `form`: controls whose value a JSON place must confirm, so that a page that scripts fill is not sent with its defaults",
        ),
        may(
            "restarts",
            &Shape::Flag,
            "whether the device restarts after it, perhaps before it answers",
        ),
        may("answer", &Shape::Template, "what a good answer says"),
    ],
    groups: &[&["form", "body", "document", "one", "merge"]],
};

static SAVE_FORM: Table = Table {
    name: "save-form",
    doc: "A form of a page that was read.",
    keys: &[
        need(
            "request",
            &Shape::Of(Names::Request),
            "the request whose answer holds it",
        ),
        need("select", &Shape::Selector, "which form of the page"),
        may("press", &Shape::Table(&PRESS), "the button that is pressed"),
    ],
    groups: &[],
};

static PRESS: Table = Table {
    name: "press",
    doc: "A button of a form.",
    keys: &[
        need("name", &Shape::Words, "its name"),
        may(
            "value",
            &Shape::Text,
            "its value, where several have the name",
        ),
    ],
    groups: &[],
};

static SAVE_BODY: Table = Table {
    name: "save-body",
    doc: "A request with a made body.",
    keys: &[
        WRITES[0],
        WRITES[1],
        WRITES[2],
        need("encoding", &ENCODING, "how it is written"),
        need(
            "fields",
            &FIELDS,
            "what stands in it, in order; all are always sent",
        ),
    ],
    groups: &[WRITES_GROUP],
};

static SAVE_DOCUMENT: Table = Table {
    name: "save-document",
    doc: "The whole document, sent back.",
    keys: &[WRITES[0], WRITES[1], WRITES[2], OF],
    groups: &[WRITES_GROUP],
};

static SAVE_ONE: Table = Table {
    name: "save-one",
    doc: "One JSON value, sent alone.",
    keys: &[
        WRITES[0],
        WRITES[1],
        WRITES[2],
        need(
            "place",
            &Shape::Of(Names::Place),
            "the place whose value it is",
        ),
    ],
    groups: &[WRITES_GROUP],
};

static SAVE_MERGE: Table = Table {
    name: "save-merge",
    doc: "The differences, as a merge patch.",
    keys: &[WRITES[0], WRITES[1], WRITES[2], OF],
    groups: &[WRITES_GROUP],
};

const OF: Key = need(
    "of",
    &Shape::Of(Names::Request),
    "the request whose JSON answer it is",
);
const WRITES: [Key; 3] = [
    may("post", &Shape::Path, "POST to this path"),
    may("put", &Shape::Path, "PUT to this path"),
    may("patch", &Shape::Path, "PATCH this path (RFC 5789)"),
];
const WRITES_GROUP: &[&str] = &["post", "put", "patch"];
