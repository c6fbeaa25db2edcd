"""What stands under every comparison, on pages, in reports and on the terminal."""

CAUTION = (
    "Supports and does not replace the judgement of the licensed team. Not a certified medical device. "
    "Local protocols and device labelling come first."
)
