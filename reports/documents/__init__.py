"""Documents from tables and charts: bytes out, which the caller writes; nothing is counted here."""
