"""Tables in: bytes to rows and problems; nothing here knows a database."""
