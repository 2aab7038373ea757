"""One file a question; each starts from a visible-rows function and returns plain dataclasses."""
