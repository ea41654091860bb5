"""Films of a rehearsal: where a clip of a camera lies in the take, and the clip with the mix as its sound."""
