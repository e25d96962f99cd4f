"""What a photo shows: it is taken in, its targets found, and their edges measured."""
