"""DICOM's edge: files, zips and series in, volumes out; nothing here knows a database or a page."""
