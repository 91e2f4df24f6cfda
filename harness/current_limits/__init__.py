"""The current a range may carry: ratings of the parts, and the maximum that follows."""
