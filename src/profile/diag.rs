//! Faults of a file that a person wrote: every one with its place, a stable code and a hint.
//!
//! All faults of a file are reported at once, since whoever writes a profile on a field without
//! internet should not find them one run at a time. A fault's text holds words of the file, which
//! may come from a stranger: they are escaped as a device's are.

use std::{fmt, ops::Range};

use miette::{
    Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, Severity,
    SourceCode,
};

use super::characters::drawable;
use crate::terms::Untrusted;

macro_rules! codes {
    ($($(#[doc = $doc:literal])+ $name:ident = $word:literal;)+) => {
        /// What is wrong, as a word that stays. A code is never used for another fault.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Code {
            $($(#[doc = $doc])+ $name,)+
        }

        impl Code {
            /// Every code, in the order of their names in the source.
            pub const ALL: &'static [Code] = &[$(Code::$name),+];

            /// The word that is printed.
            pub fn word(self) -> &'static str {
                match self {
                    $(Code::$name => $word,)+
                }
            }
        }
    };
}

codes! {
    /// The file is no TOML here.
    NotToml = "not-toml";
    /// The file is made for a newer linkmend.
    NewerFormat = "newer-format";
    /// A character that acts on a screen instead of being seen.
    BadCharacter = "bad-character";
    /// A key that the format does not have.
    UnknownKey = "unknown-key";
    /// A key that must be there.
    MissingKey = "missing-key";
    /// Text where a number should be, or the like.
    WrongType = "wrong-type";
    /// A word that is none of those which the key takes.
    UnknownWord = "unknown-word";
    /// None, or several, of keys of which exactly one must be there.
    PickOne = "pick-one";
    /// A key that says nothing beside the others that are there.
    OutOfPlace = "out-of-place";
    /// A list or a table that must not be empty.
    Empty = "empty";
    /// A name that is not in kebab-case.
    BadName = "bad-name";
    /// A request, place, save or setting that is not in the file.
    UnknownName = "unknown-name";
    /// No CSS selector.
    BadSelector = "bad-selector";
    /// No JSON Pointer (RFC 6901).
    BadPointer = "bad-pointer";
    /// No literal IP address.
    BadAddress = "bad-address";
    /// An address for this computer that is none, or not in the device's network.
    BadHostAddress = "bad-host-address";
    /// No service type of DNS-SD (RFC 6763).
    BadService = "bad-service";
    /// A key that no TXT record can have, or a mark without one.
    BadTxt = "bad-txt";
    /// No path from the root of the device's origin.
    BadPath = "bad-path";
    /// No template: two holes, or a single brace.
    BadTemplate = "bad-template";
    /// No version requirement.
    BadNeeds = "bad-needs";
    /// No WPA passphrase.
    BadPassphrase = "bad-passphrase";
    /// A range that holds nothing, or a step or factor that is none.
    BadRange = "bad-range";
    /// A value that the setting's own kind does not take.
    BadValue = "bad-value";
    /// Two of a choice that cannot be told apart.
    ChoiceTwice = "choice-twice";
    /// A secret that is a choice, so that its value could be guessed from its fingerprint.
    SecretChoice = "secret-choice";
    /// A row with several holes, or with none where the value must stand.
    HoleCount = "hole-count";
    /// A pattern that can never stand at its place, or never hold the setting's kind.
    PatternMisfit = "pattern-misfit";
    /// A place that is looked for in an answer of another format.
    WrongAnswer = "wrong-answer";
    /// Two places that are one.
    PlaceTwice = "place-twice";
    /// Something is recognised by a request that acts or needs a login.
    RecogniseUnsafe = "recognise-unsafe";
    /// A request that is not a GET and does not say whether it acts.
    ActsUnsaid = "acts-unsaid";
    /// Something is read by a request that acts.
    ReadingActs = "reading-acts";
    /// Two fields of a body that are one.
    FieldTwice = "field-twice";
    /// A setting is put at a place that none of its saves writes, or names a save that writes
    /// none of its places.
    SaveMisses = "save-misses";
    /// A place of a setting that two of its saves write.
    SaveTwice = "save-twice";
    /// The order of several saves is missing or not that of all saves.
    SaveOrder = "save-order";
    /// A restart that nothing makes, or that nothing describes.
    RestartIdle = "restart-idle";
    /// What witnesses a restart changes by itself and is not said to.
    WitnessNotVolatile = "witness-not-volatile";
    /// A setting stands at a place that changes by itself.
    VolatileSetting = "volatile-setting";
    /// A rule of a system that stands in it twice.
    RuleTwice = "rule-twice";
    /// A rule for bind words that makes no key of its setting.
    BadWords = "bad-words";
    /// A bind mode that cannot be started, or cannot be seen.
    BadBindMode = "bad-bind-mode";
    /// A value that is not read back as it was written.
    RoundTrip = "round-trip";
    /// A shelf of a family that there is not, that is faulty, or whose devices are no receivers.
    BadFamily = "bad-family";
    /// A label that does not fit on a sticker.
    BadLabel = "bad-label";
    /// Two loaners of one label.
    LabelTwice = "label-twice";
    /// A loaner that nothing tells from the others.
    NoIdentity = "no-identity";
    /// A mark that could be a serial as well as a BSSID.
    EitherIdentity = "either-identity";
    /// Two loaners of one serial or BSSID.
    IdentityTwice = "identity-twice";
    /// A mark that devices of the family do not have, or do not keep.
    NoSuchMark = "no-such-mark";
    /// A serial that no device shows.
    BadSerial = "bad-serial";
    /// No MAC address of one access point.
    BadMac = "bad-mac";
    /// No address that a loaner can be reached at.
    BadAt = "bad-at";
    /// Two loaners at one address.
    AtTwice = "at-twice";
    /// A setting that the family does not have.
    UnknownSetting = "unknown-setting";
    /// A setting that the family only shows, or a value that it cannot be told.
    CannotWrite = "cannot-write";
    /// The value of a secret, which has no place in such a file.
    SecretInClear = "secret-in-clear";
    /// A file that holds no value of its secret, or that others can read.
    BadSecretFile = "bad-secret-file";
    /// `unique` for a setting that none can be drawn for.
    NotUnique = "not-unique";
    /// More loaners that want one of their own than there are.
    TooFew = "too-few";
    /// Two loaners that would share bind key and lock.
    SharedPair = "shared-pair";
    /// Loaners that would share a bind key, one of them without a lock.
    SharedKeyWithoutLock = "shared-key-without-lock";
    /// A column that must be there.
    MissingColumn = "missing-column";
    /// Two columns of one name.
    ColumnTwice = "column-twice";
    /// A column that is neither a key of a loaner nor a setting.
    UnknownColumn = "unknown-column";
    /// A row with more or fewer cells than there are columns.
    RaggedRow = "ragged-row";
    /// A cell whose quotes are never closed.
    OpenQuote = "open-quote";
}

impl Code {
    /// Whether only the file of a shelf, or rows for one, can have this fault.
    pub fn is_of_shelf(self) -> bool {
        self >= Code::BadFamily
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// One fault.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// What kind of fault.
    pub code: Code,
    /// What is wrong, as a fragment that names the words in question.
    pub message: String,
    /// What to do, and the known names.
    pub help: Option<String>,
    /// Bytes of the file that it is about.
    pub span: Range<usize>,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Fault {}

impl Diagnostic for Fault {
    fn code<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        Some(Box::new(self.code))
    }

    fn severity(&self) -> Option<Severity> {
        Some(Severity::Error)
    }

    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        let help = self.help.as_ref()?;
        Some(Box::new(help))
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let label = LabeledSpan::new_primary_with_span(None, self.span.clone());
        Some(Box::new(std::iter::once(label)))
    }
}

/// All faults of one file, in the order of their places. As a [`Diagnostic`] each is a related
/// one, and the source is the file's.
#[derive(Debug, Clone)]
pub struct Faults {
    /// The file's name, escaped.
    pub file: String,
    /// The faults; never empty where a load failed.
    pub list: Vec<Fault>,
    /// What pictures are drawn over: nothing in it acts on a screen.
    source: Box<NamedSource<String>>,
    text: Box<Text>,
    /// More faults than are on the list, in a picture of many.
    untold: usize,
}

/// The text of a file.
#[derive(Debug, Clone)]
struct Text {
    /// As it stands, for counting characters.
    whole: String,
    /// The byte at which each line begins.
    lines: Vec<usize>,
    /// What no picture shows.
    hidden: Vec<Range<usize>>,
}

impl Faults {
    pub(crate) fn new(file: &str, text: &str) -> Self {
        let file = Untrusted::new(file).to_string();
        Self {
            source: Box::new(NamedSource::new(&file, drawable(text)).with_language("TOML")),
            text: Box::new(Text {
                lines: lines(text),
                whole: text.to_owned(),
                hidden: Vec::new(),
            }),
            file,
            list: Vec::new(),
            untold: 0,
        }
    }

    /// Adds one fault.
    pub(crate) fn add(
        &mut self,
        code: Code,
        span: Range<usize>,
        message: impl Into<String>,
        help: impl Into<Option<String>>,
    ) {
        let (line, column) = position(&self.text.whole, &self.text.lines, span.start);
        self.list.push(Fault {
            code,
            message: message.into(),
            help: help.into(),
            span,
            line,
            column,
        });
    }

    /// The line of a byte, from 1.
    pub(crate) fn line(&self, at: usize) -> usize {
        position(&self.text.whole, &self.text.lines, at).0
    }

    /// What stands there is a secret, and no picture shows it.
    pub(crate) fn hide(&mut self, span: Range<usize>) {
        self.text.hidden.push(span);
    }

    /// Draws stars over what is hidden, line by line as long as it was.
    fn draw_hidden(&mut self) {
        if self.text.hidden.is_empty() {
            return;
        }
        let mut shown = drawable(&self.text.whole).into_bytes();
        for span in &self.text.hidden {
            for byte in shown.get_mut(span.clone()).unwrap_or_default() {
                if !matches!(byte, b'\n' | b'\r') {
                    *byte = b'*';
                }
            }
        }
        // Spans are those of whole texts, so that no letter is cut through.
        let shown = String::from_utf8(shown).unwrap_or_default();
        *self.source = NamedSource::new(&self.file, shown).with_language("TOML");
    }

    /// Hands over what was made, where no fault was found.
    pub(crate) fn verdict<T>(mut self, made: Option<T>) -> Result<T, Faults> {
        self.list
            .sort_by_key(|fault| (fault.span.start, fault.code));
        self.list.dedup();
        self.drop_consequences();
        self.draw_hidden();
        match made {
            Some(made) if self.list.is_empty() => Ok(made),
            Some(_) => Err(self),
            None => {
                if self.list.is_empty() {
                    self.add(Code::MissingKey, 0..0, "the file is not whole", None);
                }
                Err(self)
            }
        }
    }

    /// Where the TOML itself is broken, whatever stood there is missing, and one open bracket
    /// breaks the lines that follow: both are no news. Left out are what says that something is
    /// not there, what stands on a broken line, and broken lines close behind another one.
    fn drop_consequences(&mut self) {
        let mut broken = Vec::new();
        let mut runs: Vec<usize> = Vec::new();
        for fault in &self.list {
            if fault.code == Code::NotToml {
                let follows = |last: &usize| fault.line <= *last + RUN_LINES;
                if !broken.last().is_some_and(follows) {
                    runs.push(fault.span.start);
                }
                broken.push(fault.line);
            }
        }
        if broken.is_empty() {
            return;
        }
        self.list.retain(|fault| match fault.code {
            Code::NotToml => runs.contains(&fault.span.start),
            // Seen in the text itself, whatever the TOML comes to.
            Code::BadCharacter => true,
            Code::MissingKey
            | Code::PickOne
            | Code::UnknownName
            | Code::SaveMisses
            | Code::SaveOrder
            | Code::RestartIdle
            | Code::NoIdentity
            | Code::Empty => false,
            _ => !broken.contains(&fault.line),
        });
    }

    /// The faults as pictures of the lines with carets, for a screen of so many columns. Of very many
    /// the first ones: nobody reads on.
    pub fn picture(&self, colour: bool, width: usize) -> String {
        if self.list.len() > MOST_DRAWN {
            let first = Faults {
                list: self.list[..MOST_DRAWN].to_vec(),
                untold: self.list.len() - MOST_DRAWN,
                ..self.clone()
            };
            let picture = first.picture(colour, width);
            return format!("{picture}\n… and {} more\n", first.untold);
        }
        let theme = if colour {
            GraphicalTheme::unicode()
        } else {
            GraphicalTheme::unicode_nocolor()
        };
        let handler = GraphicalReportHandler::new_themed(theme)
            .with_links(false)
            .with_width(width);
        let mut out = String::new();
        // Writing to a string fails only where a display does, and none of ours does.
        match handler.render_report(&mut out, self) {
            Ok(()) => out,
            Err(fmt::Error) => self.to_string(),
        }
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.list.as_slice() {
            [one] => write!(f, "`{}` has a fault in line {}", self.file, one.line),
            many => {
                let count = many.len() + self.untold;
                write!(f, "`{}` has {count} faults", self.file)
            }
        }
    }
}

impl std::error::Error for Faults {}

impl Diagnostic for Faults {
    fn severity(&self) -> Option<Severity> {
        Some(Severity::Error)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        Some(&*self.source)
    }

    fn related<'a>(&'a self) -> Option<Box<dyn Iterator<Item = &'a dyn Diagnostic> + 'a>> {
        Some(Box::new(self.list.iter().map(|f| f as &dyn Diagnostic)))
    }
}

/// "did you mean `x`? known: x, y, z", with the nearest name first where one is near.
pub(crate) fn known_names<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    let known: Vec<&str> = known.into_iter().collect();
    if known.is_empty() {
        return "there is none yet".to_owned();
    }
    let nearest = known
        .iter()
        .map(|name| (strsim::jaro_winkler(word, name), name))
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .filter(|(nearness, _)| *nearness >= NEAR);
    let shown: Vec<String> = known
        .iter()
        .map(|name| Untrusted::new(*name).to_string())
        .collect();
    let list = shown.join(", ");
    match nearest {
        Some((_, name)) => {
            format!("did you mean {}? known: {list}", quoted(name))
        }
        None => format!("known: {list}"),
    }
}

/// Words of a file, cut and escaped, in backticks.
pub(crate) fn quoted(word: &str) -> String {
    format!("`{}`", Untrusted::new(word))
}

/// The byte at which each line begins.
fn lines(text: &str) -> Vec<usize> {
    std::iter::once(0)
        .chain(text.match_indices('\n').map(|(at, _)| at + 1))
        .collect()
}

/// Line and column of a byte, from 1. Lines are looked up: a file may have thousands of faults.
fn position(text: &str, lines: &[usize], offset: usize) -> (usize, usize) {
    let offset = if text.is_char_boundary(offset) {
        offset
    } else {
        text.len()
    };
    let line = lines.partition_point(|start| *start <= offset).max(1);
    (line, text[lines[line - 1]..offset].chars().count() + 1)
}

/// Faults that are drawn (a choice of ours, no source).
const MOST_DRAWN: usize = 50;

/// Jaro-Winkler similarity from which a name is offered; 0.8 offers `selct` for `select` and
/// nothing for an unlike word (tried on the keys of the format, common practice, no source).
const NEAR: f64 = 0.8;

/// A broken line so many lines behind another one is taken for its consequence; 2, so that a
/// blank line between does not count (tried on unclosed brackets, common practice, no source).
const RUN_LINES: usize = 2;

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn codes_are_unique_kebab_case_words() {
        let words: BTreeSet<&str> = Code::ALL.iter().map(|code| code.word()).collect();
        assert_eq!(words.len(), Code::ALL.len());
        for word in words {
            assert!(crate::terms::name::is_name(word), "{word}");
        }
    }

    #[test]
    fn lines_and_columns_count_characters_from_one() {
        let at = |offset| position("a\nä=b", &lines("a\nä=b"), offset);
        assert_eq!(at(0), (1, 1));
        assert_eq!(at(1), (1, 2));
        assert_eq!(at(2), (2, 1));
        assert_eq!(at(4), (2, 2));
        assert_eq!(at(6), (2, 4));
        assert_eq!(at(99), (2, 4), "no byte of the text: its end");
        assert_eq!(position("", &lines(""), 0), (1, 1));
    }

    #[test]
    fn offers_the_nearest_name_and_all_others() {
        assert_eq!(
            known_names("selct", ["request", "select"]),
            "did you mean `select`? known: request, select"
        );
        assert_eq!(known_names("zzz", ["select"]), "known: select");
        assert_eq!(known_names("zzz", []), "there is none yet");
    }
}
