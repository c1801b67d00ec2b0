//! Which node belongs to which address, kept in the store's folder across restarts.
//!
//! Without it, a node that was exchanged while the watch was down would be taken for the old one's
//! successor without a word. A node belongs to one address only: two links to the same node would
//! pull everything twice and raise each alarm twice.

use crate::collect::store::NodeId;
use serde_json::{Map, Value};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Name of the file in the store's folder.
pub const FILE: &str = "stations.json";

/// What an address answers with, against what belongs there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Claim {
    /// It is the node of this address.
    Ours,
    /// Another node belongs there.
    Expected(NodeId),
    /// The node belongs to another address of this watch.
    Elsewhere(String),
}

struct Place {
    address: String,
    node: Option<NodeId>,
}

/// The nodes of a watch's addresses.
pub struct Whose {
    file: PathBuf,
    places: Mutex<Vec<Place>>,
}

impl Whose {
    /// Reads what is known of these addresses; `adopt` forgets it, for nodes that were exchanged.
    ///
    /// A file that cannot be read counts as none: the next node that answers is noted anew.
    pub fn open(folder: &Path, addresses: &[String], adopt: bool) -> Whose {
        let file = folder.join(FILE);
        let text = std::fs::read_to_string(&file).unwrap_or_default();
        let known: Map<String, Value> = serde_json::from_str(&text).unwrap_or_default();
        let node = |a: &String| known.get(a)?.as_str()?.parse().ok();
        let place =
            |a: &String| Place { address: a.clone(), node: if adopt { None } else { node(a) } };
        Whose { file, places: Mutex::new(addresses.iter().map(place).collect()) }
    }

    fn lock(&self) -> MutexGuard<'_, Vec<Place>> {
        self.places.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The node of an address, if it ever answered.
    pub fn node(&self, place: usize) -> Option<NodeId> {
        self.lock().get(place)?.node
    }

    /// Says which node answers at an address; the first one that does belongs there from then on.
    ///
    /// An error is that of keeping it, which changes nothing until the watch starts again.
    pub fn claim(&self, place: usize, found: NodeId) -> (Claim, std::io::Result<()>) {
        let mut places = self.lock();
        let Some(expected) = places.get(place).map(|p| p.node) else {
            return (Claim::Ours, Ok(()));
        };
        match expected {
            Some(node) if node == found => (Claim::Ours, Ok(())),
            Some(node) => (Claim::Expected(node), Ok(())),
            None => {
                if let Some(other) = places.iter().find(|p| p.node == Some(found)) {
                    return (Claim::Elsewhere(other.address.clone()), Ok(()));
                }
                if let Some(p) = places.get_mut(place) {
                    p.node = Some(found);
                }
                (Claim::Ours, self.keep(&places))
            }
        }
    }

    /// Writes the file whole or not at all; what it says of addresses that are not watched stays.
    fn keep(&self, places: &[Place]) -> std::io::Result<()> {
        let text = std::fs::read_to_string(&self.file).unwrap_or_default();
        let mut all: Map<String, Value> = serde_json::from_str(&text).unwrap_or_default();
        for p in places {
            if let Some(node) = p.node {
                all.insert(p.address.clone(), node.to_string().into());
            }
        }
        let folder = self.file.parent().unwrap_or(Path::new("."));
        let mut part = tempfile::NamedTempFile::new_in(folder)?;
        writeln!(part, "{:#}", Value::Object(all))?;
        part.as_file().sync_all()?;
        part.persist(&self.file).map(|_| ()).map_err(|e| e.error)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(addresses: &[&str]) -> Vec<String> {
        addresses.iter().map(|a| (*a).to_owned()).collect()
    }

    #[test]
    fn a_node_stays_with_its_address_across_starts() {
        let folder = tempfile::tempdir().unwrap();
        let both = names(&["tcp:a:1", "tcp:b:1"]);
        let whose = Whose::open(folder.path(), &both, false);
        assert_eq!(whose.node(0), None);
        assert_eq!(whose.claim(0, NodeId(7)).0, Claim::Ours);
        assert_eq!(whose.claim(1, NodeId(7)).0, Claim::Elsewhere("tcp:a:1".into()));
        assert_eq!(whose.claim(1, NodeId(8)).0, Claim::Ours);
        assert_eq!(whose.claim(0, NodeId(8)).0, Claim::Expected(NodeId(7)));
        // Another watch on one of them, later: the other one is not forgotten.
        let whose = Whose::open(folder.path(), &both[1..], false);
        assert_eq!(whose.node(0), Some(NodeId(8)));
        assert_eq!(whose.claim(0, NodeId(9)).0, Claim::Expected(NodeId(8)));
        let whose = Whose::open(folder.path(), &both[1..], true);
        assert_eq!(whose.claim(0, NodeId(9)).0, Claim::Ours);
        let whose = Whose::open(folder.path(), &both, false);
        assert_eq!((whose.node(0), whose.node(1)), (Some(NodeId(7)), Some(NodeId(9))));
    }

    #[test]
    fn a_file_that_is_none_of_ours_is_begun_anew() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(FILE), b"\xFFnot json").unwrap();
        let whose = Whose::open(folder.path(), &names(&["tcp:a:1"]), false);
        let (claim, kept) = whose.claim(0, NodeId(7));
        assert!(claim == Claim::Ours && kept.is_ok());
        let whose = Whose::open(folder.path(), &names(&["tcp:a:1"]), false);
        assert_eq!(whose.node(0), Some(NodeId(7)));
    }
}
