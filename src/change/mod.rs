//! Put a setting right and prove it: the one place that writes.
