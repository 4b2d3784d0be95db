"""Tables of a site page that are gathered from rows of several years or meters."""
