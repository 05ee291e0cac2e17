"""Steps that bring the store's tables from one version to the next; released ones never change."""
