"""Arrays in, numbers out; nothing here knows a screw, a viewer or a file."""
