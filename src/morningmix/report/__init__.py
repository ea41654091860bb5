"""One page a rehearsal, for the band: what was found, decided and measured."""
