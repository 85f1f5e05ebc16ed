//! The computer's own boot clock: it goes on while the computer sleeps.

use std::sync::OnceLock;

use super::{ports::Clock, step::BootTime};

/// `CLOCK_BOOTTIME` of Linux, with the kernel's boot id to tell one start from the next. Elsewhere
/// time counts from the start of this process, and no two runs can be compared.
#[derive(Debug, Clone)]
pub struct SystemClock {
    boot: String,
    #[cfg(not(target_os = "linux"))]
    started: std::time::Instant,
}

impl SystemClock {
    /// Reads which start of the computer this is; once in a process.
    pub fn new() -> Self {
        static BOOT: OnceLock<String> = OnceLock::new();
        let read = || {
            std::fs::read_to_string("/proc/sys/kernel/random/boot_id").map_or_else(
                |_| format!("process-{}", std::process::id()),
                |id| id.trim().to_owned(),
            )
        };
        Self {
            boot: BOOT.get_or_init(read).clone(),
            #[cfg(not(target_os = "linux"))]
            started: std::time::Instant::now(),
        }
    }
}

impl Default for SystemClock {
    fn default() -> Self {
        Self::new()
    }
}

impl Clock for SystemClock {
    #[cfg(target_os = "linux")]
    fn now(&self) -> BootTime {
        use nix::time::{ClockId, clock_gettime};
        let seconds = clock_gettime(ClockId::CLOCK_BOOTTIME)
            .map_or(0.0, |time| std::time::Duration::from(time).as_secs_f64());
        BootTime {
            seconds,
            boot: self.boot.clone(),
        }
    }

    #[cfg(not(target_os = "linux"))]
    fn now(&self) -> BootTime {
        BootTime {
            seconds: self.started.elapsed().as_secs_f64(),
            boot: self.boot.clone(),
        }
    }
}
