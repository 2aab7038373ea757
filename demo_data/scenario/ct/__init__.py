"""The drawn post-operative CT of an invented patient; numpy, scipy and pydicom only."""
