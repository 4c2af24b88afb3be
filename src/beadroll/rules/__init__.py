"""What codes and chronology require: records in, findings out. Knows no files."""
