"""What a person drives: the command line, and the steps of a job it shares with whatever else shows them."""
