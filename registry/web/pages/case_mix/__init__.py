"""Observed breaches against those expected by patient and pedicle alone."""
