//! The node's end of the link: bytes in, answers out, over any stream.

use crate::node::Node;
use crate::sampler::NodeMeter;
use core::ops::DerefMut;
use embedded_io::{Read, ReadReady, Write};
use embedded_storage::nor_flash::NorFlash;
use serde::Serialize;
use wattless_core::wire::{
    FrameKind, FrameReader, Refusal, Request, STREAM_MAX, WireError, encode_frame, open_frame,
    read_body,
};

/// Most bytes taken from the stream before other work gets its turn.
const BYTES_PER_TURN: usize = 512;

/// Collects requests and writes answers; holds no state of a conversation.
#[derive(Debug)]
pub struct LinkServer {
    reader: FrameReader,
    out: [u8; STREAM_MAX],
}

impl Default for LinkServer {
    fn default() -> Self {
        LinkServer { reader: FrameReader::default(), out: [0; STREAM_MAX] }
    }
}

impl LinkServer {
    /// Takes one byte; at the end of a request gives the bytes of the answer.
    pub fn receive<F: NorFlash, M: DerefMut<Target = NodeMeter>>(
        &mut self,
        node: &mut Node<F, M>,
        byte: u8,
    ) -> Option<&[u8]> {
        let (number, answer) = match self.reader.push(byte)? {
            Ok(bytes) => match read_request(bytes) {
                Ok((number, request)) => (number, node.answer(request)),
                Err(WireError::Version { number, .. }) => (number, Err(Refusal::Version)),
                Err(WireError::Body { number }) => (number, Err(Refusal::NotUnderstood)),
                Err(_) => {
                    node.count_link_error();
                    return None;
                }
            },
            Err(_) => {
                node.count_link_error();
                return None;
            }
        };
        match answer {
            Ok(reply) => self.encode(FrameKind::Reply, number, &reply),
            Err(refusal) => {
                // Asking too early, or for what is gone, is no fault of the link.
                use Refusal::{NoCapture, NoSuchRecord, NotReady};
                if !matches!(refusal, NoCapture | NoSuchRecord | NotReady) {
                    node.count_link_error();
                }
                self.encode(FrameKind::Refusal, number, &refusal)
            }
        }
    }

    fn encode(&mut self, kind: FrameKind, number: u16, body: &impl Serialize) -> Option<&[u8]> {
        encode_frame(kind, number, body, &mut self.out)
    }

    /// Answers what has arrived, without waiting for more; `true` when anything had.
    pub fn poll<F: NorFlash, M: DerefMut<Target = NodeMeter>, S: Read + ReadReady + Write>(
        &mut self,
        node: &mut Node<F, M>,
        stream: &mut S,
    ) -> Result<bool, S::Error> {
        let mut chunk = [0u8; 64];
        let mut taken = 0;
        while taken < BYTES_PER_TURN && stream.read_ready()? {
            let n = stream.read(&mut chunk)?;
            if n == 0 {
                break;
            }
            taken += n;
            for &byte in chunk.get(..n).unwrap_or_default() {
                if let Some(answer) = self.receive(node, byte) {
                    stream.write_all(answer)?;
                    stream.flush()?;
                }
            }
        }
        Ok(taken > 0)
    }

    /// Forgets a request under way, when a new connection begins.
    pub fn clear(&mut self) {
        self.reader.clear();
    }
}

fn read_request(bytes: &mut [u8]) -> Result<(u16, Request), WireError> {
    let (header, body) = open_frame(bytes)?;
    if header.kind != FrameKind::Request {
        return Err(WireError::Damaged);
    }
    Ok((header.number, read_body(&header, body)?))
}
