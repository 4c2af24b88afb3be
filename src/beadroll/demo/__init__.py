"""An invented contract and its week: the built-in example the tool can be tried on."""
