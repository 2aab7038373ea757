"""Whether the ledger answers."""
