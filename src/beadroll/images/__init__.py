"""Radiograph files: facts, pixels, digests, lossless encoding with proof. The only place where foreign image bytes enter."""
