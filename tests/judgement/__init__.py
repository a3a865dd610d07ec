"""Measures what verdicts are worth against what is true: `python -m tests.judgement`."""
