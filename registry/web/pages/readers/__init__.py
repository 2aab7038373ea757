"""How far readers agree: the unit's pairs for the lead, sums of own ones for a reader."""
