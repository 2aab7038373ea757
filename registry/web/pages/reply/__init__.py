"""The right of reply: own data of a quarter for a surgeon, its way to the seal for the lead."""
