"""Which way does each point face, how does it reflect, how high is it, how does it bend, what texture?"""
