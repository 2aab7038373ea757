"""A reader's practice on drawn screws: the truth beside each of their own readings."""
