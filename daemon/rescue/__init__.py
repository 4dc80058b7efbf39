"""Reading a failing original: many reads at several supplies, votes, and what is certain."""
