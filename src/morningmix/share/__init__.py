"""What the band is sent: small tagged files, and a page that lists them."""
