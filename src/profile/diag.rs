//! Faults of a profile or system file: every one with its place, a stable code and a hint.
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
    /// The text as it stands, for counting characters.
    text: String,
}

impl Faults {
    pub(super) fn new(file: &str, text: &str) -> Self {
        let file = Untrusted::new(file).to_string();
        Self {
            source: Box::new(NamedSource::new(&file, drawable(text)).with_language("TOML")),
            text: text.to_owned(),
            file,
            list: Vec::new(),
        }
    }

    /// Adds one fault.
    pub(super) fn add(
        &mut self,
        code: Code,
        span: Range<usize>,
        message: impl Into<String>,
        help: impl Into<Option<String>>,
    ) {
        let (line, column) = position(&self.text, span.start);
        self.list.push(Fault {
            code,
            message: message.into(),
            help: help.into(),
            span,
            line,
            column,
        });
    }

    /// Hands over what was made, where no fault was found.
    pub(super) fn verdict<T>(mut self, made: Option<T>) -> Result<T, Faults> {
        self.list
            .sort_by_key(|fault| (fault.span.start, fault.code));
        self.list.dedup();
        self.drop_consequences();
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
            | Code::Empty => false,
            _ => !broken.contains(&fault.line),
        });
    }

    /// The faults as pictures of the lines with carets, for a screen of so many columns.
    pub fn picture(&self, colour: bool, width: usize) -> String {
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
            many => write!(f, "`{}` has {} faults", self.file, many.len()),
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
pub(super) fn known_names<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> String {
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
pub(super) fn quoted(word: &str) -> String {
    format!("`{}`", Untrusted::new(word))
}

fn position(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let start = before.rfind('\n').map_or(0, |at| at + 1);
    (line, before[start..].chars().count() + 1)
}

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
        assert_eq!(position("a\nä=b", 0), (1, 1));
        assert_eq!(position("a\nä=b", 2), (2, 1));
        assert_eq!(position("a\nä=b", 4), (2, 2));
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
