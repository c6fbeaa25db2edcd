"""From signals to epoch statistics, part by part."""
