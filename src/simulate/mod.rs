//! Logs with known truth: engine, fuel, gas, sensor, controller, link and logger at 1 ms, seeded.
