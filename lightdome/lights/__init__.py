"""Where was each lamp, how strong, how sure?"""
