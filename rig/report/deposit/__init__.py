"""A run as an RO-Crate for a data repository: its files, what they are, checksums, citation."""
