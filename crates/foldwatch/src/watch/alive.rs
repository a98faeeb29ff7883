//! Whether the parts of the daemon get on with their work.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// One part's sign of life: when it last got on, or that it has nothing to do until somebody else does.
#[derive(Debug, Clone)]
pub struct Pulse {
    name: &'static str,
    since: Instant,
    /// Milliseconds since then, and one; 0: it rests.
    last: Arc<AtomicU64>,
}

impl Pulse {
    /// Of a part that begins now.
    pub fn new(name: &'static str) -> Pulse {
        let pulse = Pulse { name, since: Instant::now(), last: Arc::default() };
        pulse.beat();
        pulse
    }

    /// It got on by a piece.
    pub fn beat(&self) {
        self.last.store(self.now() + 1, Ordering::Relaxed);
    }

    /// It waits for others, which may take for ever and is no fault of its own.
    pub fn rest(&self) {
        self.last.store(0, Ordering::Relaxed);
    }

    /// It has been at one piece of work for longer than this.
    fn is_stuck(&self, longest: Duration) -> bool {
        let last = self.last.load(Ordering::Relaxed);
        last > 0 && self.now().saturating_sub(last - 1) > longest.as_millis() as u64
    }

    fn now(&self) -> u64 {
        self.since.elapsed().as_millis() as u64
    }
}

/// The part that has been at one piece of work for longer than this.
pub fn stuck(parts: &[Pulse], longest: Duration) -> Option<&'static str> {
    parts.iter().find(|part| part.is_stuck(longest)).map(|part| part.name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stuck_is_who_neither_gets_on_nor_rests() {
        let (works, rests) = (Pulse::new("works"), Pulse::new("rests"));
        let parts = [works.clone(), rests.clone()];
        rests.rest();
        assert_eq!(stuck(&parts, Duration::from_secs(60)), None);
        std::thread::sleep(Duration::from_millis(20));
        assert_eq!(stuck(&parts, Duration::from_millis(5)), Some("works"));
        works.rest();
        assert_eq!(stuck(&parts, Duration::from_millis(5)), None);
        works.beat();
        assert_eq!(stuck(&parts, Duration::from_secs(60)), None);
    }
}
