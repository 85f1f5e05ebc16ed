//! What to look at and what comes next, in words. All of it is common practice without a published
//! source, and all of it is in the program, since there is no internet on a muddy field.

use crate::terms::{SettingName, Snapshot, Value};

/// Before it is powered.
pub(super) const READY: [&str; 5] = [
    "Propulsion off, or propellers removed.",
    "Power it from USB or a bench supply if that can be. A battery is handled as its maker says.",
    "Every transmitter that has its bind key is off. One without its antenna stays off at all times.",
    "No other receiver is powered.",
    "Air moves over it.",
];

/// Why all that.
pub(super) const WHY_READY: &str = "A changed output can move a servo or a motor at once. A receiver opens its own network only \
     while it has no link, so a transmitter of its bind key keeps it shut. Receivers of one family \
     open networks that look alike, so two that are powered can be taken for each other. One that \
     waits without air over it gets hot.";

/// A receiver without Wi-Fi.
pub(super) const UNREACHABLE: [&str; 1] = [
    "A receiver that is built into the controller board mostly has no Wi-Fi, so linkmend cannot \
     read it or change it. Its settings are reached through the controller board.",
];

/// What keeps a built-in receiver from linking.
pub(super) const BUILT_IN: [&str; 7] = [
    ORDER,
    RADIO_PART,
    BIND_KEY,
    "Both ends have the same major firmware version: across two of them they never link.",
    "Both ends have the same region.",
    "The waveform is one that a built-in receiver can do: some of them are missing there, and on \
     such a one the two ends never link.",
    "Its model lock is off, or is the number of the model memory that is selected.",
];

/// A link, and nothing moves.
pub(super) const BEHIND: [&str; 6] = [
    "The serial port of the controller is not set to take a receiver.",
    "It is set on another port than the one that the receiver is soldered to.",
    "That port's pads are shared with another device or with a plug: take that off and try.",
    "Receive and transmit are swapped: the receiver's transmit belongs on the controller's receive.",
    "The controller expects another serial protocol than the receiver speaks.",
    "The channel order is another than the controller expects.",
];

/// The same without wires in between.
pub(super) const BEHIND_BUILT_IN: [&str; 2] = [
    "The controller is set to take a receiver on a serial port, and not the one that is built in.",
    "The channel order is another than the controller expects.",
];

/// Many receivers.
pub(super) const SHELF: [&str; 5] = [
    "`linkmend loaners reset --practice` shows all of it on a simulated shelf of 24.",
    "`linkmend loaners init tarn.toml --from rows.csv --family NAME` makes the shelf's file from a table: \
     the label on each sticker, and its serial or BSSID. Say in it what all of them should be.",
    "`linkmend loaners check tarn.toml` reads them all, says what differs, and writes nothing.",
    "`linkmend loaners reset tarn.toml` writes that, proves it, and says which to power next. Stopped or \
     cut off, it goes on where it was when it is run again.",
    "`linkmend loaners report tarn.html` gives the last run as a page to read and print.",
];

/// A network that leads nowhere else.
pub(super) const JOIN_HELP: &str = "The network is the receiver's own and leads nowhere else. Some computers leave such a network \
     by themselves: choose to stay on it when asked, and look again before you go on. In this way \
     linkmend does not touch the Wi-Fi settings of this computer: go back to your own network when \
     it says so.";

/// No bind key.
pub(super) const UNBOUND: [&str; 2] = [
    "Both ends need the same major firmware version: across two of them they never link, whatever \
     the key.",
    "A transmitter that was given bind words wants the same words here: one letter off is another \
     key.",
];

/// The ways to a bind key.
pub(super) const BIND_HELP: &str = "Bind words are typed at both ends and give both the same key. In bind mode the receiver takes \
     the key from a transmitter that binds at the same time: switch all others off. Three short power \
     cycles in a row start it on many receivers; it ends with power off, about 10 s, power on once.";

/// Set to what it cannot do.
pub(super) const UNSUPPORTED: [&str; 2] = [
    "On the transmitter: choose a waveform that this receiver has.",
    "Or here: `linkmend write waveform=NAME` sets another one, and `linkmend profile show` lists those \
     that the family has.",
];

/// The radio part is out of reach.
pub(super) const FAULTY: [&str; 2] = [
    "Try it once on another supply, with nothing else on its wires.",
    "If the radio part is still silent, replace the receiver. What it was set to is on record.",
];

const ORDER: &str = "The transmitter first, with the right model memory selected, a few seconds, \
                     then the receiver.";
const RADIO_PART: &str = "That model memory has its radio part on, and the right one where there \
                          are two.";
const BIND_KEY: &str = "Both ends have the same bind key. Typed by hand it is often mistyped: enter \
                        the bind words again.";

/// What keeps two ends from linking where one end alone looks fine.
pub(super) fn other_end(read: &Snapshot) -> Vec<String> {
    let mut list: Vec<String> = [ORDER, RADIO_PART, BIND_KEY].map(Into::into).into();
    list.push(format!(
        "Both ends have the same major firmware version{}: across two of them they never link.",
        shown(read, SettingName::FIRMWARE)
    ));
    for (name, what) in [
        (SettingName::REGION, "region"),
        (SettingName::WAVEFORM, "waveform"),
    ] {
        list.push(format!(
            "Both ends have the same {what}{}.",
            shown(read, name)
        ));
    }
    if let Some(Value::Number(slot)) = read.value(SettingName::MODEL_LOCK) {
        list.push(format!(
            "Model memory {slot} is selected on the transmitter."
        ));
    }
    list
}

/// ` (here 2.4.1)`, where it is known.
fn shown(read: &Snapshot, name: &str) -> String {
    match read.value(name) {
        Some(value) if *value != Value::Absent => format!(" (here {value})"),
        _ => String::new(),
    }
}
