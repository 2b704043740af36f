//! The durable store: readings, notes, batches, forecasts, alerts and engine snapshots.
