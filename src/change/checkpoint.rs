//! Named points at which a test may cut the power.
//!
//! In debug builds, when `LINKMEND_CHECKPOINT` names a point and this run comes by it, the process
//! writes the name to the file of `LINKMEND_CHECKPOINT_FILE` and parks for good, so that a test
//! can kill it exactly there. Release builds hold none of this.

/// Comes by a point: `before-NAME` or `after-NAME` of a step, or `sent-NAME` of a request.
#[cfg(debug_assertions)]
pub fn pass(moment: &str, name: &str) {
    let point = format!("{moment}-{name}");
    if std::env::var("LINKMEND_CHECKPOINT").is_ok_and(|wanted| wanted == point) {
        if let Ok(file) = std::env::var("LINKMEND_CHECKPOINT_FILE") {
            let _ = std::fs::write(file, &point);
        }
        loop {
            std::thread::park();
        }
    }
}

/// Comes by a point: nothing happens in release builds.
#[cfg(not(debug_assertions))]
pub fn pass(_moment: &str, _name: &str) {}
