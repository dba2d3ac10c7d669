//! Sensor health over sessions: a folder of immutable Parquet files.
