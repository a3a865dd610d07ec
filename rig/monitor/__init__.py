"""Showing a run: one screen for whoever looks, or plain lines where there is no terminal.

Everything here reads the journal and writes to a terminal; nothing of it can touch the test.
"""
