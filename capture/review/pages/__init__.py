"""The review pages: which jobs need a look, one job to hear and see, and look-ups across jobs."""
