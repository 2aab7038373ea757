"""A surgeon's own page: results for appraisal, and own notes with whom they are shown to."""
