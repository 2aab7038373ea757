"""The page from which tables leave the ledger."""
