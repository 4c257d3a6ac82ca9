"""The append-only store of records."""
