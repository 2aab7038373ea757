"""The lead closes a quarter; shows what actions return and works nothing out itself."""
