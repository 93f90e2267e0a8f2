"""What marks are there, what are their sections, what made them?"""
