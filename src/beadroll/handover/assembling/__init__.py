"""From a checked week to a package: radiographs with proof, records, papers, tables, pages and the index."""
