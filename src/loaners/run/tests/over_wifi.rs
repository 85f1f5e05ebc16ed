//! Loaners behind their own networks, in a made-up air.
