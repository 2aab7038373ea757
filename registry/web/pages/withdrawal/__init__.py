"""A patient leaves the ledger."""
