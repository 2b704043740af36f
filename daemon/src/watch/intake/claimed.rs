//! Gauges that change hands: the batches that it concerns begin anew.

use std::collections::BTreeSet;

use fobwatch_core::reading::{Quantity, Source};
use tracing::{info, warn};

use super::Intake;
use crate::{
    claim,
    store::StoreError,
    watch::{Failure, claims},
};

impl Intake {
    /// Batches that took what one names `named` by now begin anew without it, and those that passed what it has `freed` begin anew with it: what they
    /// come to does not depend on when the one named its gauge.
    pub(super) async fn settle_claims(
        &mut self,
        named: BTreeSet<Source>,
        freed: &BTreeSet<Source>,
    ) -> Result<(), Failure> {
        let sources: Vec<Source> = named.union(freed).cloned().collect();
        if sources.is_empty() {
            return Ok(());
        }
        let heard = self
            .house
            .store
            .read(move |reader| claims::heard(reader, &sources));
        let heard = match heard.await {
            // As of a gauge that is new: of ten thousand batches none is looked at for its sake.
            Ok(heard) if heard.is_empty() => return Ok(()),
            Ok(heard) => heard,
            // At the next start it is seen to.
            Err(failed) => {
                warn!("Whether a batch took the gauge of another one cannot be read: {failed}.");
                return Ok(());
            }
        };
        for live in self.house.all() {
            let sealed = live.batch.bottled_at;
            let of_live = |source: &Source, quantity| {
                let claims = self.house.claims();
                claims.holder((live.id, &live.batch), source, quantity).is_some()
            };
            let both = |sources: &BTreeSet<Source>, held: bool| -> Vec<(Source, Quantity)> {
                claim::left_open(&live.batch)
                    .flat_map(|quantity| sources.iter().map(move |source| (source.clone(), quantity)))
                    .filter(|sensor| heard.contains(sensor))
                    .filter(|(source, quantity)| of_live(source, *quantity) == held)
                    .collect()
            };
            let (taken, passed) = (both(&named, true), both(freed, false));
            if taken.is_empty() && passed.is_empty() {
                continue;
            }
            let heard = self
                .house
                .store
                .read(move |reader| {
                    let first = |sensors: Vec<(Source, Quantity)>| {
                        for (source, quantity) in sensors {
                            if reader.heard_since(&source, quantity, sealed)? {
                                return Ok::<_, StoreError>(Some(source));
                            }
                        }
                        Ok(None)
                    };
                    Ok((first(taken)?, first(passed)?))
                })
                .await;
            let (taken, passed) = match heard {
                Ok((None, None)) => continue,
                Ok(heard) => heard,
                // At the next start it is seen to.
                Err(failed) => {
                    warn!(batch = %live.batch.name, "Whether {} took the gauge of another batch cannot be read: {failed}.", live.batch.name);
                    continue;
                }
            };
            self.workers.end(&live);
            self.workers.ended(&live).await;
            if let (None, Some(source)) = (&taken, passed) {
                let now = self.house.clock.now();
                let why =
                    format!("{source} sits on no other batch any more, so what it measured counts here");
                let (id, note) = (live.id, claims::note(now.max(sealed), why));
                let anew = self
                    .house
                    .store
                    .write(move |writer| writer.begin_anew(id, &note, now));
                match anew.await {
                    Ok(place) => self
                        .house
                        .latest
                        .send_modify(|latest| *latest = place.max(*latest)),
                    Err(failed) => {
                        warn!(batch = %live.batch.name, "{} goes on without its only gauge: {failed}.", live.batch.name);
                    }
                }
            }
            self.workers
                .begin(&self.house, live.batch.clone(), live.id)
                .await?;
            info!(batch = %live.batch.name, "Whose the gauges are has changed for {}; what it took by mistake does not count.", live.batch.name);
        }
        Ok(())
    }
}
