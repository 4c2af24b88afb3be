"""Who stands behind a package: keys, seals, pinned trust, trusted time, receipts. The only door to cryptography."""
