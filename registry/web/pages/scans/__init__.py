"""Scans that came in: sent up, looked through, matched and read."""
