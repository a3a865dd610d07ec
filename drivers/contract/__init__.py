"""What every driver promises, as tests that a driver passes by naming itself.

    python -m drivers.contract --rig emulated.toml

opens the rig of a rig file with the driver that the file names (`--driver NAME` for another),
asks, and on a rig that answers as emulated also moves; a rig that does not is only looked at.
What is not kept is said in a sentence. Needs pytest. Words after these go to pytest: `-k limits`
tries those of that name, `-x` ends at the first.
"""
