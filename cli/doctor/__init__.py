"""What `romwright doctor` looks at: one file for each subject, each a list of findings."""
