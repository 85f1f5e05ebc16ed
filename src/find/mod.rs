//! What is out there: at an address, which family answers.
