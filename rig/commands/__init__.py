"""One short file a command: reads arguments, prints, leaves the rest to the rooms."""
