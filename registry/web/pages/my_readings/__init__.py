"""A reader looks back on what they read, as blind as it was read."""
