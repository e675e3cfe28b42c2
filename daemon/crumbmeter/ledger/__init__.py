"""The ledger: one module a subject over the journal. Values to canonical bytes and back; projections by reading."""
