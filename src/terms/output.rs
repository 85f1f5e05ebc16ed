//! The JSON that commands print, as types: a script may rely on these shapes.
//!
//! Every object carries `"format": 1`. A key is only ever added; none changes its meaning. The
//! schemas in `src/terms/schemas` are made from these types, and a test keeps them equal.

use std::collections::BTreeMap;

use schemars::{JsonSchema, Schema, schema_for};
use serde::{Deserialize, Serialize};
use serde_json::Value as Json;

use super::{Condition, Finding, Proof, Role, SettingName};

pub mod loaners;

/// The version of every shape in this file.
pub const FORMAT: u32 = 1;

/// Who a device is. A part that is not known is null.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct IdentityOut {
    /// The serial that the device shows.
    pub serial: Option<String>,
    /// The BSSID of its access point, colon-separated.
    pub bssid: Option<String>,
    /// Where it was reached.
    pub address: Option<String>,
}

/// One device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DeviceOut {
    /// Its marks.
    pub identity: IdentityOut,
    /// The family, by its profile's name.
    pub family: String,
    /// Which end.
    pub role: Role,
}

/// How much is known of a setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SettingState {
    /// Its value is in `value`.
    Known,
    /// Known to be absent.
    Absent,
    /// Known, and not shown: `fingerprint` tells whether two are equal.
    Secret,
    /// The device takes it and never shows it.
    WriteOnly,
    /// Not read or not understood.
    Unread,
}

/// A value of a setting: flag, number, text, list, or null.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct ValueOut(#[schemars(with = "ValueShape")] pub Json);

/// What a value may be.
#[derive(JsonSchema)]
#[serde(untagged)]
#[expect(dead_code, reason = "it exists for its schema")]
enum ValueShape {
    Flag(bool),
    Number(f64),
    Text(String),
    List(Vec<ValueShape>),
    None(()),
}

/// One setting as it was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SettingOut {
    /// How much is known.
    pub state: SettingState,
    /// The value, where the state is `known`; `model-lock` is `"off"` or a number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<ValueOut>,
    /// What a person reads for the value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
    /// Equal for equal secrets, within one journal.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fingerprint: Option<String>,
}

/// `linkmend read --json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadOut {
    /// Always 1.
    pub format: u32,
    /// The record under which this reading is kept.
    pub record: i64,
    /// Who was read.
    pub device: DeviceOut,
    /// All settings, or those that were asked for.
    pub settings: BTreeMap<SettingName, SettingOut>,
    /// The verdict.
    pub condition: Condition,
    /// Everything that was found, the verdict's own first.
    pub findings: Vec<Finding>,
    /// What else a person should know, such as a change of it that is unfinished.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// True for a practice receiver.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
}

/// How a change ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Written and proved.
    Done,
    /// Everything was as wanted already.
    NothingToDo,
    /// A dry run: this is what would be written.
    Planned,
    /// It did not take; what was there is back, proved.
    PutBack,
    /// Refused; nothing was written.
    Refused,
    /// Written, and not proved.
    Unproved,
    /// Failed; nothing was written.
    Failed,
}

impl Outcome {
    /// The word that commands print.
    pub fn word(self) -> &'static str {
        match self {
            Outcome::Done => "done",
            Outcome::NothingToDo => "nothing-to-do",
            Outcome::Planned => "planned",
            Outcome::PutBack => "put-back",
            Outcome::Refused => "refused",
            Outcome::Unproved => "unproved",
            Outcome::Failed => "failed",
        }
    }
}

/// One setting of a change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChangeLine {
    /// Which setting.
    pub setting: SettingName,
    /// What was there.
    pub before: SettingOut,
    /// What was wanted.
    pub after: SettingOut,
    /// How well the wanted value is proved.
    pub proof: Proof,
    /// What the proof rests on, or why there is none.
    pub why: String,
}

/// `unlock`, `bind`, `write`, `restore` and `resume` with `--json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChangeOut {
    /// Always 1.
    pub format: u32,
    /// Who was changed.
    pub device: DeviceOut,
    /// The record of what was there.
    pub record: Option<i64>,
    /// Setting by setting.
    pub changes: Vec<ChangeLine>,
    /// How it ended.
    pub outcome: Outcome,
    /// What else a person should know, such as settings that could not be restored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// True for a practice receiver.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
    /// Why it was refused, failed or stayed unproved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error: Option<Fault>,
}

/// What went wrong.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    /// A stable kebab-case code.
    pub code: String,
    /// What and where.
    pub message: String,
    /// What to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub help: Option<String>,
}

/// Any command that failed, with `--json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ErrorOut {
    /// Always 1.
    pub format: u32,
    /// What went wrong.
    pub error: Fault,
    /// Each fault of the shelf's file or table, where that is what is wrong.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<ProfileFault>,
}

/// `linkmend bind --verify --json`: whether bind words, or a key, give the key that is there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct VerifyOut {
    /// Always 1.
    pub format: u32,
    /// Who was read.
    pub device: DeviceOut,
    /// Which setting.
    pub setting: SettingName,
    /// What is there.
    pub there: SettingOut,
    /// What was given, or what the words give.
    pub given: SettingOut,
    /// Whether the two are one.
    pub agrees: bool,
    /// True for a practice receiver.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
}

/// One record in `history`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RecordLine {
    /// The record's number, for `restore`.
    pub record: i64,
    /// When, RFC 3339 in UTC; clocks jump in the field, the order is the journal's own.
    pub at: String,
    /// Whether it was only read, or kept before a change.
    pub kept: String,
    /// The verdict of then.
    pub condition: Condition,
}

/// One change in `history`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChangeEntry {
    /// The change's number.
    pub change: i64,
    /// When it began.
    pub at: String,
    /// The command that made it.
    pub command: String,
    /// The record of what was there.
    pub record: i64,
    /// How it ended; null: cut off, see `resume`, or under way in another program.
    pub outcome: Option<Outcome>,
    /// What the person said afterwards: whether it follows the sticks. Absent: nothing was said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows: Option<bool>,
    /// Setting by setting, as far as it came.
    pub changes: Vec<ChangeLine>,
}

/// One device in `history`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DeviceHistory {
    /// Who.
    pub device: DeviceOut,
    /// What its owner calls it, as last read.
    pub name: Option<String>,
    /// Newest first.
    pub records: Vec<RecordLine>,
    /// Newest first.
    pub changes: Vec<ChangeEntry>,
}

/// What `linkmend history DEVICE --forget` removed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ForgottenOut {
    /// Records of the device.
    pub records: usize,
    /// Its changes.
    pub changes: usize,
    /// True when another program was reading, so that traces are in the journal's log until the
    /// next program writes there.
    pub traces_left: bool,
}

/// `linkmend history --json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HistoryOut {
    /// Always 1.
    pub format: u32,
    /// What was forgotten, where that was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub forgotten: Option<ForgottenOut>,
    /// The device seen last stands first.
    pub devices: Vec<DeviceHistory>,
}

/// `linkmend resume --json`: one change that had been cut off, or nothing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ResumeOut {
    /// Always 1.
    pub format: u32,
    /// Changes that had been cut off and were looked into now.
    pub resumed: Vec<ChangeOut>,
}

/// One family in `profile list`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProfileLine {
    /// Its name.
    pub family: String,
    /// What a person reads.
    pub title: String,
    /// Which end.
    pub role: Role,
    /// With what it can link.
    pub system: String,
    /// How many settings it knows.
    pub settings: usize,
}

/// `linkmend profile list --json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProfileListOut {
    /// Always 1.
    pub format: u32,
    /// By name.
    pub profiles: Vec<ProfileLine>,
}

/// One setting in `profile show`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProfileSetting {
    /// Its name.
    pub setting: SettingName,
    /// What a person reads.
    pub label: String,
    /// Its range in words.
    pub takes: String,
    /// Whether it can be written at all.
    pub writable: bool,
    /// Whether its value is hidden.
    pub secret: bool,
    /// How many characters of bind words make it; null: none do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bind_words: Option<ProfileRange>,
    /// What it is for.
    pub help: Option<String>,
}

/// From so many to so many.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProfileRange {
    /// At least.
    pub from: f64,
    /// At most.
    pub to: f64,
}

/// The fallback network of a family.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProfileNetwork {
    /// Its names; `*` stands for any characters.
    pub names: Vec<String>,
    /// How it is secured: `open`, `wpa2` or `wpa3`.
    pub security: String,
    /// Whether the profile knows its passphrase.
    pub passphrase_known: bool,
    /// Where the device is in it.
    pub address: String,
    /// When it opens, in s after power-up.
    pub opens_s: ProfileRange,
}

/// How a family gets into bind mode.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ProfileBindMode {
    /// `linkmend bind --mode` starts it.
    Request,
    /// Short power cycles by hand do.
    PowerCycles,
}

/// `linkmend profile show --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProfileShowOut {
    /// Always 1.
    pub format: u32,
    /// The family.
    pub profile: ProfileLine,
    /// In the order of the file.
    pub settings: Vec<ProfileSetting>,
    /// Its fallback network, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub network: Option<ProfileNetwork>,
    /// The service that announces it on a local network, where one does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub announced_as: Option<String>,
    /// How it gets into bind mode, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bind_mode: Option<ProfileBindMode>,
}

/// One fault of a profile, a shelf's file or a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProfileFault {
    /// A stable kebab-case code.
    pub code: String,
    /// Line in the file, from 1.
    pub line: usize,
    /// Column, from 1.
    pub column: usize,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub help: Option<String>,
}

/// `linkmend profile check --json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProfileCheckOut {
    /// Always 1.
    pub format: u32,
    /// The file or the family.
    pub profile: String,
    /// None: the profile is sound.
    pub faults: Vec<ProfileFault>,
}

/// How much a line of `host` matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum HostLevel {
    /// It is as it should be.
    Ok,
    /// It works, and less well than it could.
    Warn,
    /// Without it linkmend cannot join a network by itself.
    Missing,
}

/// One thing that `host` looked at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HostLine {
    /// A stable kebab-case code.
    pub code: String,
    /// How much it matters.
    pub level: HostLevel,
    /// Which adapter it is about; null: none of them.
    pub adapter: Option<String>,
    /// What was found.
    pub text: String,
    /// What to do.
    pub help: Option<String>,
}

/// `linkmend host --json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HostOut {
    /// Always 1.
    pub format: u32,
    /// Whether nothing is missing.
    pub free: bool,
    /// All that was looked at.
    pub findings: Vec<HostLine>,
}

/// A network in range.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NetworkOut {
    /// Its name, with what is no text escaped; null: it keeps its name to itself.
    pub name: Option<String>,
    /// Which access point.
    pub bssid: String,
    /// How loud it is, from 0 to 100.
    pub signal: u8,
    /// The number of its channel.
    pub channel: Option<u32>,
    /// The middle of its channel.
    pub frequency_mhz: u32,
    /// How it may be joined: some of `open`, `wpa2`, `wpa3` and `other`.
    pub security: Vec<String>,
    /// Through which adapter it was heard.
    pub adapter: String,
}

/// Where a device is on a local network.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AnnouncedOut {
    /// What it is called there.
    pub name: String,
    /// Its best address, as `--at` takes it; null: it has none that can be reached.
    pub at: Option<String>,
    /// All its addresses, the best first.
    pub addresses: Vec<AddressOut>,
}

/// One address of a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AddressOut {
    /// The address.
    pub address: String,
    /// Behind which adapter.
    pub adapter: String,
}

/// A device that is in reach.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InReachOut {
    /// The families that it may be of.
    pub families: Vec<String>,
    /// As far as it is known without asking it.
    pub identity: IdentityOut,
    /// What the journal knows it as, where it knows its BSSID or serial.
    pub known_as: Option<String>,
    /// Its fallback network; null: it has none now.
    pub network: Option<NetworkOut>,
    /// Its place on a local network; null: it announces itself on none.
    pub announced: Option<AnnouncedOut>,
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FindEvent {
    /// It was there when the listening began.
    There,
    /// It came since.
    Came,
    /// It is there no more.
    Went,
}

/// A line of `linkmend find --json`, as it happens.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FindLine {
    /// Always 1.
    pub format: u32,
    /// What happened.
    pub event: FindEvent,
    /// To which device: what was heard of it at this moment.
    pub device: InReachOut,
}

/// Several networks of one name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AlikeOut {
    /// The name.
    pub name: String,
    /// All of that name.
    pub bssids: Vec<String>,
    /// In what they differ that those of one family share, some of `security`, `maker` and `band`:
    /// one of them may be a copy.
    pub differ: Vec<String>,
}

/// The last line of `linkmend find --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FindOut {
    /// Always 1.
    pub format: u32,
    /// Each device once, those with a network of their own first.
    pub devices: Vec<InReachOut>,
    /// Names that several networks share.
    pub alike: Vec<AlikeOut>,
    /// Networks with a name of a family's that are secured otherwise or in another band.
    pub misfits: Vec<NetworkOut>,
    /// With `--all`, the networks that are no receiver's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub others: Option<Vec<NetworkOut>>,
    /// What could not be listened to.
    pub warnings: Vec<Fault>,
    /// Why there is nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error: Option<Fault>,
}

/// Either line of `linkmend find --json`.
#[derive(JsonSchema)]
#[serde(untagged)]
#[expect(dead_code, reason = "it exists for its schema")]
enum FindLines {
    Line(FindLine),
    Last(FindOut),
}

/// The schema of every shape above, by file name without `.schema.json`.
pub fn schemas() -> Vec<(&'static str, Schema)> {
    vec![
        ("change", schema_for!(ChangeOut)),
        ("error", schema_for!(ErrorOut)),
        ("find", schema_for!(FindLines)),
        ("history", schema_for!(HistoryOut)),
        ("host", schema_for!(HostOut)),
        ("loaners", schema_for!(loaners::ShelfLines)),
        ("loaners-add", schema_for!(loaners::ShelfAddOut)),
        ("loaners-init", schema_for!(loaners::ShelfInitOut)),
        ("profile-check", schema_for!(ProfileCheckOut)),
        ("profile-list", schema_for!(ProfileListOut)),
        ("profile-show", schema_for!(ProfileShowOut)),
        ("read", schema_for!(ReadOut)),
        ("resume", schema_for!(ResumeOut)),
        ("verify", schema_for!(VerifyOut)),
    ]
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// With `LINKMEND_BLESS=1` the files are written instead.
    #[test]
    fn the_committed_schemas_are_those_of_the_types() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/terms/schemas");
        for (name, schema) in schemas() {
            let file = folder.join(format!("{name}.schema.json"));
            let made = serde_json::to_string_pretty(&schema).expect("a schema") + "\n";
            if std::env::var_os("LINKMEND_BLESS").is_some() {
                std::fs::create_dir_all(&folder).expect("the folder");
                std::fs::write(&file, &made).expect("the file");
            }
            let committed = std::fs::read_to_string(&file).unwrap_or_default();
            assert_eq!(committed, made, "{}", file.display());
        }
    }
}
