"""What a weld record is: welds, radiographs, people, equipment, sign-offs. Knows no files and no screens."""
