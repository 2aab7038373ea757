"""Signing in and out, and the first password of an invited account."""
