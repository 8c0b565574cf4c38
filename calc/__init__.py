"""The engineering of TEG gas dehydration: pure functions of floats or numpy arrays, SI inside."""
