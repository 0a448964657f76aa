package drift

var (
	JudgeWithin = judgeWithin // Judge with other bounds
	OnLink      = onLink
)
