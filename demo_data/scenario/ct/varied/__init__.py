"""Many different drawn patients from one seed each: anatomy, curve, construct, scanner, truth."""
