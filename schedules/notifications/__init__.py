"""Messages by mail: `texts` holds their words, `queue` adds due ones, `render` and `deliver` send each."""
