"""Tables from elsewhere: read without guessing, mapped by a person, judged row by row before anything is written."""
