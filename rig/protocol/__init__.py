"""From the files people write to a checked plan; nothing here opens a file."""
