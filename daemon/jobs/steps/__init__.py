"""The steps of jobs. Each takes the context and returns what it found, or stops the job with a result."""
