"""Tables in: bytes to rows and faults; no database, no clock; openpyxl opens workbooks."""
