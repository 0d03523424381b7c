"""What a phone shows: the state of the shed in sentences, then the run of the water."""
