"""Every sentence and drawing that a reader sees. No decision and no arithmetic is made here."""
