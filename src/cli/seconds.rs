//! Times as a person reads them.

/// `47 s`, or `1 min 20 s`.
pub(crate) fn exact(seconds: f64) -> String {
    let whole = whole(seconds);
    match (whole / 60, whole % 60) {
        (0, s) => format!("{s} s"),
        (m, 0) => format!("{m} min"),
        (m, s) => format!("{m} min {s} s"),
    }
}

/// `40 to 55 s`.
pub(crate) fn range(from: f64, to: f64) -> String {
    let (from, to) = (whole(from), whole(to.ceil()));
    if from == to {
        format!("about {to} s")
    } else {
        format!("{from} to {to} s")
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to whole seconds of at most a day"
)]
fn whole(seconds: f64) -> u64 {
    seconds.clamp(0.0, 86_400.0).round() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_minutes_only_when_there_are_any() {
        assert_eq!(exact(47.4), "47 s");
        assert_eq!(exact(80.0), "1 min 20 s");
        assert_eq!(exact(120.0), "2 min");
        assert_eq!(range(2.0, 2.75), "2 to 3 s");
        assert_eq!(range(0.4, 0.0), "about 0 s");
    }
}
