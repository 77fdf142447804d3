"""Words for people, in the units chosen."""
