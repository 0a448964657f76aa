package drift

// JudgeWithin is Judge with other bounds.
var JudgeWithin = judgeWithin
