"""Reading the crews' week: spreadsheets, registers and radiograph headers, each read once, nothing decided."""
