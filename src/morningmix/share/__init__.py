"""What goes round to the band: small tagged files, and a page that lists them."""
