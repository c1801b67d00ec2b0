//! The nodes of several stores: found and called by number or feeder, read as logs to be ranked.

use anyhow::bail;
use wattless::analyse::culprit::{NamedLog, Place};
use wattless::collect::store::{NodeInfo, Span, Store};

/// A node and the store that holds it.
pub(super) type InStore<'a> = (&'a Store, NodeInfo);

/// Every node of some stores.
pub(super) struct Feeders<'a>(Vec<InStore<'a>>);

fn name(n: &NodeInfo) -> String {
    if n.feeder.is_empty() { n.id.to_string() } else { n.feeder.clone() }
}

impl<'a> Feeders<'a> {
    /// The nodes of stores, in order.
    pub(super) fn of(stores: impl IntoIterator<Item = &'a Store>) -> anyhow::Result<Feeders<'a>> {
        let mut all = Vec::new();
        for store in stores {
            all.extend(store.nodes()?.into_iter().map(|n| (store, n)));
        }
        Ok(Feeders(all))
    }

    /// Whether there is more than one.
    pub(super) fn are_several(&self) -> bool {
        self.0.len() > 1
    }

    /// The only one; none where there are more or fewer.
    pub(super) fn only(&self) -> Option<&InStore<'a>> {
        if let [one] = self.0.as_slice() { Some(one) } else { None }
    }

    /// What there is, for a message.
    pub(super) fn known(&self) -> String {
        let all = self.0.iter().map(|(_, n)| format!("{} ({})", name(n), n.id));
        all.collect::<Vec<_>>().join(", ")
    }

    /// The one of a number or a feeder.
    pub(super) fn find(&self, asked: &str) -> anyhow::Result<&InStore<'a>> {
        let is = |n: &NodeInfo| n.feeder == asked || n.id.to_string() == asked;
        match self.0.iter().filter(|(_, n)| is(n)).collect::<Vec<_>>().as_slice() {
            [one] => Ok(one),
            [] => bail!("no node or feeder {asked:?} in the stores; there are: {}", self.known()),
            _ => bail!("several nodes are called {asked:?}; give the number: {}", self.known()),
        }
    }

    /// The log of each, one of them as the service where it is named.
    pub(super) fn logs(&self, service: Option<&str>, span: Span) -> anyhow::Result<Vec<NamedLog>> {
        let service = service.map(|asked| self.find(asked)).transpose()?;
        let log = |entry: &InStore<'a>| {
            let (store, node) = entry;
            let is_service = service.is_some_and(|s| std::ptr::eq(s, entry));
            let place = if is_service { Place::Service } else { Place::Feeder };
            let mut called = name(node);
            if self.0.iter().filter(|(_, n)| name(n) == called).count() > 1 {
                called = format!("{called} ({})", node.id);
            }
            Ok(NamedLog::read(store, node, &called, place, span)?)
        };
        self.0.iter().map(log).collect()
    }
}
