//! The program as a person or a script meets it: one binary, one module per command, against
//! simulated receivers on loopback whose true state is read beside the wire.

mod bad_input;
mod bind;
mod browser;
mod campaign;
mod claims;
mod comforts;
mod cut_off;
mod harness;
mod history;
mod hygiene;
mod interrupt;
mod kill;
mod loaners;
mod loaners_add;
mod loaners_keys;
mod login;
mod profile;
mod read;
mod readme;
mod relay;
mod restore;
mod resume;
mod shelf;
mod shelf_campaign;
mod shelf_report;
mod shelf_run;
mod shelf_stop;
mod shelf_terminal;
mod terminal;
mod unlock;
mod wifi;
mod wizard;
mod write;
mod wrong_profile;
