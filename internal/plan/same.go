package plan

import "slices"

// Same reports whether two plans say the same in every word. It is asked for every day on which a plan can change, and most texts of two
// plans are the very same ones, so that comparing costs next to nothing. A test holds it against a comparison by reflection.
func Same(a, b *Plan) bool {
	if a == nil || b == nil {
		return a == b
	}
	return slices.EqualFunc(a.Notes, b.Notes, sameStatement) && slices.EqualFunc(a.Predictors, b.Predictors, samePredictor) &&
		a.Approach.First == b.Approach.First && a.Approach.Complex == b.Approach.Complex && slices.Equal(a.Approach.Why, b.Approach.Why) && sameStatement(a.Approach.Statement, b.Approach.Statement) &&
		slices.EqualFunc(a.Routes, b.Routes, sameRoute) && slices.EqualFunc(a.Ladder, b.Ladder, sameStep) && slices.Equal(a.Kit, b.Kit) &&
		slices.EqualFunc(a.Imaging.OnRecord, b.Imaging.OnRecord, sameStudy) && slices.EqualFunc(a.Imaging.Advice, b.Imaging.Advice, sameAdvice) &&
		sameLaboratory(a.Laboratory, b.Laboratory) && sameAnticoagulation(a.Anticoagulation, b.Anticoagulation) &&
		slices.EqualFunc(a.Afterwards, b.Afterwards, sameStatement) && slices.Equal(a.Asks, b.Asks) && slices.EqualFunc(a.Disagreements, b.Disagreements, sameStatement)
}

func sameStatement(a, b Statement) bool {
	return a.Text == b.Text && a.Source == b.Source && slices.Equal(a.Evidence, b.Evidence)
}

func samePredictor(a, b Predictor) bool {
	return a.Name == b.Name && a.State == b.State && a.Text == b.Text && equal(a.Day, b.Day) && a.Published == b.Published && a.Source == b.Source && slices.Equal(a.Evidence, b.Evidence)
}

func sameRoute(a, b Route) bool {
	return a.Vein == b.Vein && a.Side == b.Side && a.State == b.State && a.Text == b.Text && equal(a.Day, b.Day) && a.Source == b.Source && slices.Equal(a.Evidence, b.Evidence)
}

func sameStep(a, b Step) bool {
	return a.Step == b.Step && a.Technique == b.Technique && a.When == b.When && a.Access == b.Access && a.Sheath == b.Sheath && a.BailOut == b.BailOut && a.Source == b.Source && slices.Equal(a.Hazards, b.Hazards)
}

func sameStudy(a, b Study) bool {
	return a.Modality == b.Modality && a.Day == b.Day && a.Place == b.Place && slices.Equal(a.Evidence, b.Evidence)
}

func sameAdvice(a, b Advice) bool {
	return a.Examination == b.Examination && a.Need == b.Need && a.Text == b.Text && a.Source == b.Source && slices.Equal(a.Because, b.Because)
}

func sameLaboratory(a, b Laboratory) bool {
	return a.Needed == b.Needed && a.Category == b.Category && slices.EqualFunc(a.Tests, b.Tests, sameTest) && sameContrast(a.Contrast, b.Contrast) && sameStatement(a.Statement, b.Statement)
}

func sameTest(a, b Test) bool {
	return a.Name == b.Name && a.Unit == b.Unit && equal(a.Value, b.Value) && equal(a.Day, b.Day) && equal(a.Pass, b.Pass) && equal(a.Correct, b.Correct) &&
		a.Result == b.Result && a.Text == b.Text && a.Source == b.Source && slices.Equal(a.Evidence, b.Evidence)
}

func sameContrast(a, b *Contrast) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Risk == b.Risk && equal(a.Filtration, b.Filtration) && equal(a.Day, b.Day) && a.Text == b.Text && a.Source == b.Source && slices.Equal(a.Evidence, b.Evidence)
}

func sameAnticoagulation(a, b Anticoagulation) bool {
	return sameStatement(a.Default, b.Default) && a.Unsettled == b.Unsettled && a.Red == b.Red && equal(a.RedUntil, b.RedUntil) && sameStatement(a.RedText, b.RedText) && a.Condition == b.Condition && slices.EqualFunc(a.Holds, b.Holds, sameHold)
}

func sameHold(a, b AgentHold) bool {
	return a.Agent == b.Agent && a.Level == b.Level && equal(a.Clearance, b.Clearance) && a.Hold == b.Hold && a.Restart == b.Restart && a.NeedsClinician == b.NeedsClinician && sameStatement(a.Statement, b.Statement)
}

// equal compares what two pointers show.
func equal[T comparable](a, b *T) bool {
	if a == nil || b == nil {
		return a == b
	}
	return *a == *b
}
