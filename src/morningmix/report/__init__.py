"""What was found, decided and measured, as a page and in words."""
