"""Entering a case by hand: one form, its construct laid out by the server, keyboard all the way."""
