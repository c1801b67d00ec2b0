//! Frames from the context that samples to the context that works: a queue without locks.
//!
//! The sampling side never waits. When the queue is full, frames are counted instead of kept,
//! and the count takes their place in the order, so that the node learns of every one.

use crate::node::Node;
use crate::sampler::NodeMeter;
use core::ops::DerefMut;
use embedded_storage::nor_flash::NorFlash;
use heapless::spsc::{Consumer, Producer, Queue};
use wattless_core::frame::{ACTIVE, CHANNELS, Frame};

/// Bytes of the active channels of a frame.
const BYTES: usize = 3 * ACTIVE;

/// Frames handed to the node at a time: as many as the core's sums take in one block.
const BLOCK: usize = 32;

/// A frame, packed to 18 bytes, or the number of frames that are missing in its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    lost: bool,
    bytes: [u8; BYTES],
}

impl Entry {
    /// Bytes that a place in the queue takes.
    pub const SIZE: usize = size_of::<Entry>();

    fn frame(frame: &Frame) -> Entry {
        let mut bytes = [0; BYTES];
        let (words, _) = bytes.as_chunks_mut::<3>();
        for (word, count) in words.iter_mut().zip(frame.counts()) {
            let [a, b, c, _] = count.to_le_bytes();
            *word = [a, b, c];
        }
        Entry { lost: false, bytes }
    }

    fn lost(frames: u32) -> Entry {
        let mut bytes = [0; BYTES];
        bytes.iter_mut().zip(frames.to_le_bytes()).for_each(|(to, from)| *to = from);
        Entry { lost: true, bytes }
    }

    fn as_frame(&self) -> Frame {
        let mut counts = [0; CHANNELS];
        let (words, _) = self.bytes.as_chunks::<3>();
        for (count, &[a, b, c]) in counts.iter_mut().zip(words) {
            *count = i32::from_le_bytes([0, a, b, c]) >> 8;
        }
        Frame::new(counts)
    }

    fn count(&self) -> u32 {
        let [a, b, c, d, ..] = self.bytes;
        u32::from_le_bytes([a, b, c, d])
    }
}

/// The queue itself; one place always stays empty.
pub type Handover<const N: usize> = Queue<Entry, N>;

/// Splits a queue into its two ends.
pub fn split<const N: usize>(queue: &mut Handover<N>) -> (Sender<'_>, Receiver<'_>) {
    let (producer, consumer) = queue.split();
    (Sender { queue: producer, lost: 0 }, Receiver { queue: consumer, most: 0 })
}

/// The sampling side's end.
pub struct Sender<'a> {
    queue: Producer<'a, Entry>,
    lost: u32,
}

impl Sender<'_> {
    /// Passes a frame on, or counts it as lost when there is no room.
    pub fn send(&mut self, frame: &Frame) {
        if !self.report() || self.queue.enqueue(Entry::frame(frame)).is_err() {
            self.lost = self.lost.saturating_add(1);
        }
    }

    /// Frames are missing before the next one.
    pub fn lost(&mut self, frames: u32) {
        self.lost = self.lost.saturating_add(frames);
    }

    /// Puts the frames counted as lost into the queue; `true` when none are left to report.
    fn report(&mut self) -> bool {
        if self.lost > 0 && self.queue.enqueue(Entry::lost(self.lost)).is_ok() {
            self.lost = 0;
        }
        self.lost == 0
    }
}

/// The working side's end.
pub struct Receiver<'a> {
    queue: Consumer<'a, Entry>,
    most: usize,
}

impl Receiver<'_> {
    /// Hands what waits to the node, in order; returns the number of frames.
    ///
    /// What comes meanwhile is taken as well, up to a queue's worth, so that one call ends.
    pub fn drain<F: NorFlash, M: DerefMut<Target = NodeMeter>>(
        &mut self,
        node: &mut Node<F, M>,
    ) -> usize {
        let waiting = self.queue.len();
        self.most = self.most.max(waiting);
        let (mut block, mut filled, mut total) = ([Frame::ZERO; BLOCK], 0, 0);
        for _ in 0..self.queue.capacity() {
            let Some(entry) = self.queue.dequeue() else { break };
            if entry.lost {
                push(node, &block, &mut filled);
                node.frames_lost(u64::from(entry.count()));
                continue;
            }
            if let Some(place) = block.get_mut(filled) {
                *place = entry.as_frame();
            }
            filled += 1;
            total += 1;
            if filled >= BLOCK {
                push(node, &block, &mut filled);
            }
        }
        push(node, &block, &mut filled);
        total
    }

    /// Most entries that ever waited when [`Receiver::drain`] was called.
    pub fn most(&self) -> usize {
        self.most
    }
}

fn push<F: NorFlash, M: DerefMut<Target = NodeMeter>>(
    node: &mut Node<F, M>,
    block: &[Frame; BLOCK],
    filled: &mut usize,
) {
    node.push_frames(block.get(..*filled).unwrap_or(block));
    *filled = 0;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_keep_every_count() {
        for counts in [
            [0; CHANNELS],
            [0x7F_FFFF, -0x80_0000, -1, 1, 0x12_3456, -0x12_3456, 0, 0],
            [-0x80_0000, 0x7F_FFFF, 0x80, -0x80, 0x8000, -0x8000, 0, 0],
        ] {
            let frame = Frame::new(counts);
            assert_eq!(Entry::frame(&frame).as_frame(), frame);
        }
        for n in [1, 255, 65_536, u32::MAX] {
            assert_eq!(Entry::lost(n).count(), n);
        }
        assert_eq!(Entry::SIZE, 19);
    }

    #[test]
    fn a_full_queue_counts_in_order() {
        let mut queue = Handover::<4>::new();
        let (mut sender, mut receiver) = split(&mut queue);
        let frame = |n| Frame::new([n, 0, 0, 0, 0, 0, 0, 0]);
        for n in 0..10 {
            sender.send(&frame(n));
        }
        let mut got = Vec::new();
        while let Some(e) = receiver.queue.dequeue() {
            got.push(if e.lost { -(e.count() as i32) } else { e.as_frame().counts()[0] });
        }
        assert_eq!(got, [0, 1, 2]);
        sender.lost(5);
        sender.send(&frame(10));
        sender.send(&frame(11));
        while let Some(e) = receiver.queue.dequeue() {
            got.push(if e.lost { -(e.count() as i32) } else { e.as_frame().counts()[0] });
        }
        // Seven that found no room and five that never came stand before the next frame.
        assert_eq!(got, [0, 1, 2, -12, 10, 11]);
    }

    #[test]
    fn room_for_the_count_only() {
        let mut queue = Handover::<2>::new();
        let (mut sender, mut receiver) = split(&mut queue);
        let frame = Frame::new([7, 0, 0, 0, 0, 0, 0, 0]);
        sender.send(&frame);
        sender.send(&frame);
        assert!(receiver.queue.dequeue().is_some_and(|e| !e.lost));
        sender.send(&frame);
        assert_eq!(receiver.queue.dequeue().map(|e| (e.lost, e.count())), Some((true, 1)));
        sender.send(&frame);
        assert_eq!(receiver.queue.dequeue().map(|e| (e.lost, e.count())), Some((true, 1)));
    }
}
