//! The chart that goes with an alert.

use std::time::Duration;

use fobwatch_core::alert::{AlertRecord, Priority};
use tokio::time::timeout;

use crate::{
    page::{self, Context, Shown},
    watch::House,
};

/// How long a picture is waited for while an engine goes over what is stored, as after a start. A danger waits for no picture.
const PATIENCE: Duration = Duration::from_secs(20);

/// The chart of the alert's batch as it stands now, as a picture of its own; `None` if nothing is reckoned.
pub(super) async fn of(house: &House, alert: &AlertRecord) -> Option<String> {
    let slug = alert.batch.slug();
    let live = house.batch(slug.as_str())?;
    if alert.priority < Priority::Critical {
        let latest = *house.latest.borrow();
        timeout(PATIENCE, live.reaches(latest)).await.ok();
    }
    let shown = Shown::from(live.standing().monitor.as_ref());
    let context = Context {
        now: shown.view.at,
        display: house.display.clone(),
        demo: house.demo,
        unstored: house.unstored.trouble(),
        servers: Vec::new(),
    };
    page::picture(&shown, &context)
}
