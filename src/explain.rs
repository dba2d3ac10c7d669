//! Pages, tables and schema, generated from the registries.
