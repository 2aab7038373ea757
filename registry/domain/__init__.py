"""Words and rules of the ledger: standard library only, no I/O, no clock, no randomness."""
