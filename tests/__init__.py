"""The tests: DEVELOPERS.md says how they are arranged."""
