//! The chain over the log: each record carries a hash over itself and over the tag before it.
//!
//! A tag is the first 16 bytes of SHA-256 (FIPS 180-4) over the tag of the record before and the
//! bytes of the page in front of its own tag. Whoever changes, removes or inserts a record breaks
//! the chain there. There is no key: who can make all later tags anew leaves no trace, unless a
//! later tag is known from elsewhere.

use crate::record::{PAGE, Page, TAG, TAG_AT, Tag, set_page_tag};
use sha2::block_api::compress256;

/// SHA-256's state before the first block: fractions of the square roots of the first 8 primes.
const START: [u32; 8] = [
    0x6A09_E667,
    0xBB67_AE85,
    0x3C6E_F372,
    0xA54F_F53A,
    0x510E_527F,
    0x9B05_688C,
    0x1F83_D9AB,
    0x5BE0_CD19,
];

/// What is hashed to begin a chain, in front of the node's number.
const NAME: [u8; 16] = *b"wattless log of ";

/// Bytes of a page that its tag covers.
const COVERED: usize = TAG_AT;

/// Blocks of SHA-256 for a tag, a covered page, the end mark and the length in bits.
const BLOCKS: usize = (TAG + COVERED + 9).div_ceil(64);

const _: () = assert!(TAG + COVERED < PAGE && COVERED + TAG + 4 == PAGE);

/// The tag in front of a node's first record.
pub fn first_tag(node_id: u64) -> Tag {
    let mut message = [0u8; 24];
    let (name, number) = message.split_at_mut(NAME.len());
    name.copy_from_slice(&NAME);
    number.copy_from_slice(&node_id.to_le_bytes());
    hash::<1>(&[&message])
}

/// The tag of a page of format 2 that follows on a record with the tag `before`.
pub fn next_tag(before: &Tag, page: &Page) -> Tag {
    let (covered, _) = page.split_at(COVERED);
    hash::<BLOCKS>(&[before, covered])
}

/// Puts a page behind the record with the tag `before`: tag and CRC; gives its tag.
pub fn append(before: &Tag, page: &mut Page) -> Tag {
    let tag = next_tag(before, page);
    set_page_tag(page, &tag);
    tag
}

/// The first bytes of SHA-256 over parts that fit into `N` blocks together with the padding.
fn hash<const N: usize>(parts: &[&[u8]]) -> Tag {
    let mut blocks = [[0u8; 64]; N];
    let mut length = 0usize;
    for part in parts.iter().copied().chain([[0x80].as_slice()]) {
        let room = blocks.as_flattened_mut().get_mut(length..).unwrap_or_default();
        room.iter_mut().zip(part).for_each(|(place, byte)| *place = *byte);
        length = length.wrapping_add(part.len());
    }
    let bits = (length.wrapping_sub(1) as u64).wrapping_mul(8).to_be_bytes();
    if let Some(end) = blocks.as_flattened_mut().last_chunk_mut::<8>() {
        *end = bits;
    }
    let mut state = START;
    compress256(&mut state, &blocks);
    let [a, b, c, d, ..] = state;
    let mut tag = [0; TAG];
    let words = tag.as_chunks_mut::<4>().0.iter_mut().zip([a, b, c, d]);
    words.for_each(|(bytes, word)| *bytes = word.to_be_bytes());
    tag
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Record, check_page, page_tag};

    /// Examples of FIPS 180-4's hash (NIST's "SHA-256" example values): "abc" in one block and
    /// the 448-bit message in two; the empty message from RFC 6234's test vectors (from memory).
    #[test]
    fn the_hash_is_sha_256() {
        let hex = |tag: Tag| tag.map(|b| format!("{b:02x}")).concat();
        assert_eq!(hex(hash::<1>(&[b"abc"])), "ba7816bf8f01cfea414140de5dae2223");
        assert_eq!(hex(hash::<1>(&[b""])), "e3b0c44298fc1c149afbf4c8996fb924");
        let long = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
        assert_eq!(hex(hash::<2>(&[long])), "248d6a61d20638b8e5c026930c3e6039");
        let (a, b) = long.split_at(16);
        assert_eq!(hash::<2>(&[a, b]), hash::<2>(&[long]));
    }

    #[test]
    fn a_tag_covers_every_byte_before_it() {
        let before = first_tag(7);
        assert_ne!(before, first_tag(8));
        let mut page = Record { seq: 3, ..Record::BLANK }.encode();
        let tag = append(&before, &mut page);
        assert_eq!((check_page(&page), page_tag(&page)), (Ok(()), Some(tag)));
        assert_eq!(next_tag(&before, &page), tag);
        for at in 0..PAGE {
            let mut other = page;
            other[at] ^= 1;
            assert_eq!(next_tag(&before, &other) != tag, at < COVERED, "{at}");
        }
        for at in 0..TAG {
            let mut other = before;
            other[at] ^= 1;
            assert_ne!(next_tag(&other, &page), tag);
        }
    }
}
