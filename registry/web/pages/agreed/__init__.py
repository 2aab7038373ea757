"""Actions that the unit agreed on; shows what actions return and works nothing out itself."""
