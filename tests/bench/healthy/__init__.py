"""False actions on healthy driving, made by a generator that shares nothing with the plant."""
