"""Letters by mail: `texts` are their words, `writing` puts due ones on the queue, `sending` sends each."""
