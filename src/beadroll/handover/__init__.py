"""The office: gather, reconcile, check, assemble. From a crews' week to a package ready to be sealed."""
