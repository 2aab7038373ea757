"""Geometry on arrays, in mm and DICOM patient coordinates; no file, no DICOM, no database."""
