//! The other daemons of a site (`[share]`): what people said to one is kept by all, so that its batches can be taken over when its
//! machine is gone; and one that is away while nobody watches its share is told to people.
//!
//! Each daemon keeps a record of each of its batches at the broker (`<prefix>/<batch>/record`, retained): the batch file, whether the batch
//! was ended, and what people said of it. A record is the whole state, so it may come late, twice or from long ago.

mod away;
mod hear;
mod record;
mod tell;

pub(crate) use away::{Missed, Peers, look_out};
pub(crate) use hear::hear;
pub(crate) use tell::tell;
