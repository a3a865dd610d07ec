"""A profile of hypothesis for tests that are meant to fail: the first failure is enough."""

from hypothesis import Phase, settings

PROFILE = "unshrunk"

# As in tests/conftest.py, without the search for the smallest example.
settings.register_profile(
    PROFILE,
    derandomize=True,
    deadline=None,
    database=None,
    max_examples=40,
    phases=(Phase.explicit, Phase.generate),
)
