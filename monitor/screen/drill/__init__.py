"""The screens of a drill: a trainee's, with its brief and debrief, and the instructor's."""
