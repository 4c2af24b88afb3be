"""The contract between office and client: the package's format, its writer, its seal and its reader."""
