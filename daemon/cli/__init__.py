"""Commands of tegwatch, one thin file each."""
