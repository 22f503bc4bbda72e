"""An invented town at night, rendered in 3-D and written as camera raw files with the truth beside them."""
