//! The commands: the only module that talks to a person.
