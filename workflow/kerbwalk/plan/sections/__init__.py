"""The plan's sections: each asks the maths of its part and says of every answer where it comes from."""
