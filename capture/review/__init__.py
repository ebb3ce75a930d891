"""What reviewers and readers of a record are shown."""
