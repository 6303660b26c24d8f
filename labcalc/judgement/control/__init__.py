"""Is an instrument in control?"""
