"""The reading desk: a screw's sections, the marks on them, and what they come to."""
