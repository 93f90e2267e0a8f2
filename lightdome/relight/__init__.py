"""How does it look under any lamp?"""
