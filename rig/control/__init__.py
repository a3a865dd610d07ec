"""The conductor: carries out a plan on a rig, watches every sample, and stops."""
