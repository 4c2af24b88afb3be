"""The client and the clerk: receive, store, catalog, find, history, audit."""
