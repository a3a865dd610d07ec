"""Recordings: read back, judged again, compared, imported and exported."""
