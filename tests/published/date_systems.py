"""Serial numbers of days in a spreadsheet's two date systems.

Source: Microsoft Support, article 214330, "Differences between the 1900 and the 1904 date system
in Excel", http://support.microsoft.com/kb/214330, read as a stored copy: July 5, 1998 is 35981 in
the 1900 system and 34519 in the 1904 system, and the two always lie 1,462 days apart.
"""

from __future__ import annotations

from datetime import date

DAY = date(1998, 7, 5)
SERIAL_1900 = 35981
SERIAL_1904 = 34519
DAYS_APART = 1462
