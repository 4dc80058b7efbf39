"""The routes, one file for each resource: schema in, call to the bench, schema out."""
