"""How screws lie and how large they are, against the usual and against their breaches."""
