"""One file for each revision of the schema. A file that was released is history and never changes."""
