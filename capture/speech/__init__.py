"""Sound to words: audio files and streams, the embedded recogniser, its vocabulary and grammar."""
