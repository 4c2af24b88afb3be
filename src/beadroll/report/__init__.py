"""What people read on paper and in the package: PDF sheets and the static viewer."""
