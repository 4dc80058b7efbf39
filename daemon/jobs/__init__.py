"""Jobs: what is asked, how it is carried out step by step, and what came of it."""
