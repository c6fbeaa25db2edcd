"""What stands under every comparison, on pages, in reports and on the terminal."""

CAUTION = (
    "Tributary supports and does not replace the judgement of the licensed team. It is not a certified medical device. "
    "Local protocols and device labelling come first."
)
