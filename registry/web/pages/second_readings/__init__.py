"""Second and repeated readings as the lead looks them over."""
