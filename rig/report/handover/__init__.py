"""The handover: what happened to a test since somebody last looked, in words."""
