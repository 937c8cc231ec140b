"""The pre-flight list of `moontrim check`: what ought to be right before a session. Each line that
is not ok says what to do. `checklist` puts the list together; each other module asks one question.
"""
