"""How do people see, check, sign and keep it?"""
