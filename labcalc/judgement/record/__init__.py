"""What is known: the exports and the record, read once, and the dossiers cut out of them."""
