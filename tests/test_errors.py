"""What a command ends with when something of ours is raised."""

import pytest

from rig import errors


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.RigError, 1),
        (errors.InputError, 2),
        (errors.DeviceError, 4),
        (errors.SetpointRefused, 4),
        (errors.NotBegun, 5),
        (errors.StorageError, 6),
    ],
)
def test_every_error_has_the_exit_code_of_the_table_for_users(error, code):
    assert issubclass(error, errors.RigError)
    assert error.exit_code == code


def test_problems_are_told_by_file_and_line_whatever_their_order():
    found = [errors.Problem("b", 1, "", "x"), errors.Problem("a", 9, "", "y", "z")]
    assert str(errors.InputError(found)) == "a:9: y; z\nb:1: x"
