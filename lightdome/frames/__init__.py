"""What did the sensor see, as linear light, all lamps in register?"""
