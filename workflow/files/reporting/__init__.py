"""What the report shows of a shoot, made from the files of the stages."""
