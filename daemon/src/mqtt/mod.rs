//! Readings from MQTT brokers, and alerts to them.
