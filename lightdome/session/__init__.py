"""What was captured, and is it whole and good enough before the plate goes back?"""
