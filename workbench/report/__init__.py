"""The report of a whole job."""
