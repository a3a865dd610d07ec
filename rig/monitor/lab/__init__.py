"""Every rig of a broker on one screen: what each told last, and since when one is silent."""
