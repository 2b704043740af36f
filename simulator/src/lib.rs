//! Made-up batches with their own physics, seen through believable sensors.
