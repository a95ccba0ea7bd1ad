//! One direction of a serial line: bytes under way, each arriving when its last bit has.

use std::collections::VecDeque;

use tokio::time::Instant;

use crate::serial::SerialFormat;

/// Bytes that the rig sends to the master.
#[derive(Debug)]
pub(crate) struct Lane {
    format: SerialFormat,
    /// Bounded by its users: a device sends one frame per request or tick, an echo no more than it
    /// heard; beyond [`Lane::BYTES_MAX`] bytes are lost, as in any full buffer.
    under_way: VecDeque<(Instant, u8)>,
    free_at: Option<Instant>,
}

impl Lane {
    const BYTES_MAX: usize = 4096;

    pub(crate) fn new(format: SerialFormat) -> Self {
        Self {
            format,
            under_way: VecDeque::new(),
            free_at: None,
        }
    }

    /// Sends bytes back to back from `from` on, or as soon as what is under way has gone; returns
    /// when the last will have arrived.
    pub(crate) fn send(&mut self, from: Instant, bytes: &[u8]) -> Instant {
        let start = self.free_at.map_or(from, |free| free.max(from));
        let room = Self::BYTES_MAX.saturating_sub(self.under_way.len());
        for (index, byte) in bytes.iter().take(room).enumerate() {
            self.under_way
                .push_back((start + self.format.characters(index + 1), *byte));
        }
        let end = start + self.format.characters(bytes.len());
        self.free_at = Some(end);
        end
    }

    /// The time of `count` characters on this line.
    pub(crate) fn characters(&self, count: usize) -> std::time::Duration {
        self.format.characters(count)
    }

    /// When the next byte arrives.
    pub(crate) fn next(&self) -> Option<Instant> {
        self.under_way.front().map(|(at, _)| *at)
    }

    /// Takes the bytes that have arrived by `now`.
    pub(crate) fn arrived(&mut self, now: Instant) -> Vec<u8> {
        let count = self
            .under_way
            .iter()
            .take_while(|(at, _)| *at <= now)
            .count();
        self.under_way
            .drain(..count)
            .map(|(_, byte)| byte)
            .collect()
    }

    /// Spoils every byte that is still under way.
    pub(crate) fn spoil(&mut self) {
        for (_, byte) in &mut self.under_way {
            *byte ^= 0x55;
        }
    }

    /// Loses what is under way.
    pub(crate) fn clear(&mut self) {
        self.under_way.clear();
        self.free_at = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_arrive_one_character_time_apart() {
        let mut lane = Lane::new(SerialFormat::MODBUS);
        let start = Instant::now();
        let end = lane.send(start, b"abc");
        assert_eq!(end, start + SerialFormat::MODBUS.characters(3));
        assert_eq!(lane.arrived(start), b"");
        assert_eq!(
            lane.next(),
            Some(start + SerialFormat::MODBUS.characters(1))
        );
        assert_eq!(
            lane.arrived(start + SerialFormat::MODBUS.characters(2)),
            b"ab"
        );
        assert_eq!(
            lane.send(start, b"d"),
            start + SerialFormat::MODBUS.characters(4)
        );
        assert_eq!(lane.arrived(end), b"c");
    }
}
