package demo

// story is one way in which things go wrong in a crew's work: texts for each
// kind of report and the codes an adviser would give (TOOCS 3.1, checked by a
// test against the tables).
type story struct {
	key    string
	weight float64
	// texts by kind; {spot} is replaced by a place of the crew.
	hurt, nearMiss, hazard []string
	mechanism              string
	breakdown              string
	agency                 string
	// harms are pairs of nature and bodily location.
	harms [][2]string
	// grave is the chance that the worst credible outcome was death or lasting
	// injury.
	grave float64
}

// spots are places, by crew.
var spots = map[string][]string{
	"trees":    {"Wattle Creek Road", "the reserve behind the oval", "Old Mill Lane", "the school crossing on Fern Street", "Ridge Lookout"},
	"mowing":   {"the sports ground", "Lake foreshore", "the highway verge", "Cemetery Hill", "the skate park", "Station Park"},
	"roads":    {"Quarry Road by the culvert", "Bridge Street", "the Ridge Road patch job", "the kerb works in Mill Lane", "chainage 2.4 on Tip Road"},
	"drainage": {"the pit at Low Street", "Wattle Creek outfall", "the trench in Pump Lane", "the culvert under Bridge Street"},
	"nursery":  {"shade house two", "the potting shed", "the propagation tunnel", "the loading bay"},
	"waste":    {"the sorting line", "the tipping floor", "the green waste pad", "the weighbridge", "the recycling bay"},
	"workshop": {"bay one", "bay three", "the wash pad", "the tyre store", "the parts mezzanine"},
}

var stories = map[string][]story{
	"trees": {
		{key: "falling", weight: 3, mechanism: "21", breakdown: "7182", agency: "7182", grave: 0.6,
			harms:    [][2]string{{"169", "410"}, {"159", "110"}, {"149", "160"}, {"118", "440"}},
			hurt:     []string{"A hung-up branch came down at {spot} while the crew was rigging and hit the climber's groundsman on the shoulder.", "Small limb broke out of the crown at {spot} and struck the worker below, who had stepped inside the drop zone to clear brush."},
			nearMiss: []string{"A dead limb dropped two metres from the groundsman at {spot}. Nobody saw it in the crown before the saw started.", "Branch swung back on the rope at {spot} and went past the climber's head."},
			hazard:   []string{"Widow-maker hanging in the stringybark at {spot}, right over the footpath.", "Rigging rope at the depot has a worn eye; it is still on the truck for {spot}."}},
		{key: "chipper", weight: 1.5, mechanism: "25", breakdown: "129", agency: "129", grave: 0.8,
			harms:    [][2]string{{"149", "460"}, {"169", "440"}, {"118", "461"}},
			hurt:     []string{"A branch caught the worker's glove at the chipper infeed at {spot} and pulled the hand against the chute before the stop bar was hit."},
			nearMiss: []string{"Feed roller grabbed a vine at {spot} and pulled the sleeve of the operator towards the chute. The stop bar worked.", "Chipper started by itself after a jam was cleared at {spot}; the key had been left in."},
			hazard:   []string{"Stop bar on the chipper is stiff and needs both hands. It is going to {spot} tomorrow."}},
		{key: "saw", weight: 2, mechanism: "12", breakdown: "344", agency: "344", grave: 0.4,
			harms:    [][2]string{{"149", "540"}, {"149", "461"}, {"159", "530"}},
			hurt:     []string{"Saw kicked back when the tip touched a second limb at {spot}; cut to the leg through the chaps.", "Cut finger while sharpening the chain at {spot} without gloves."},
			nearMiss: []string{"Chainsaw kicked back at {spot} and the brake caught it. The operator was working above shoulder height."},
			hazard:   []string{"Two saws went out to {spot} with the chain catcher missing."}},
		{key: "vehicle", weight: 0.8, mechanism: "28", breakdown: "2419", agency: "2419", grave: 0.8,
			harms:    [][2]string{{"169", "540"}},
			hurt:     []string{"Chip truck rolled back onto the groundsman's foot at {spot} while the chipper was being hitched."},
			nearMiss: []string{"Chip truck reversed without a spotter at {spot} and the drawbar stopped short of the groundsman.", "Truck reversing at {spot} with no spotter; a cyclist had to brake hard behind it."},
			hazard:   []string{"Reversing alarm on the chip truck does not work; it was at {spot} all day."}},
		{key: "back", weight: 2, mechanism: "41", breakdown: "622", agency: "622", grave: 0.05,
			harms:    [][2]string{{"223", "311"}, {"219", "410"}, {"223", "311"}},
			hurt:     []string{"Felt a pull in the lower back lifting a wet log onto the tipper at {spot}."},
			nearMiss: []string{"Log rolled off the tailgate at {spot} as two of us lifted it; we let go in time."},
			hazard:   []string{"Logs at {spot} are being lifted by hand because the loader is away."}},
	},
	"mowing": {
		{key: "thrown", weight: 4, mechanism: "28", breakdown: "343", agency: "614", grave: 0.3,
			harms:    [][2]string{{"169", "540"}, {"149", "160"}, {"159", "540"}, {"301", "120"}},
			hurt:     []string{"Stone thrown by the flail mower at {spot} hit the spotter on the shin.", "Brush cutter threw a piece of wire at {spot}; it went through the trouser leg.", "Gravel from the deck hit the operator in the face at {spot}, under the visor."},
			nearMiss: []string{"Slasher threw a bottle across the path at {spot}; a walker had passed a moment before.", "A stone from the mower cracked the ute window at {spot}. Nobody was in it."},
			hazard:   []string{"Deck guard missing on the out-front mower used at {spot}.", "Loose gravel left on the grass at {spot} after the path works."}},
		{key: "slope", weight: 1, mechanism: "93", breakdown: "7155", agency: "234", grave: 0.8,
			harms:    [][2]string{{"118", "440"}, {"169", "330"}},
			hurt:     []string{"Ride-on slid down the wet bank at {spot} and tipped; the operator jumped clear and landed on one arm."},
			nearMiss: []string{"Ride-on slid sideways on the wet bank at {spot} and stopped against a tree.", "Mower lifted an inside wheel on the batter at {spot}."},
			hazard:   []string{"Bank at {spot} is steeper than the mower is rated for, and it is still on the sheet."}},
		{key: "trip", weight: 2, mechanism: "02", breakdown: "7154", agency: "7154", grave: 0.05,
			harms:    [][2]string{{"219", "550"}, {"219", "530"}, {"169", "530"}},
			hurt:     []string{"Rolled an ankle in a hole in the long grass at {spot} while carrying a brush cutter."},
			nearMiss: []string{"Stepped into a hidden hole at {spot} with the brush cutter running; did not fall."},
			hazard:   []string{"Irrigation pit without a lid in the grass at {spot}."}},
		{key: "bites", weight: 1, mechanism: "63", breakdown: "823", agency: "823", grave: 0.1,
			harms:    [][2]string{{"302", "460"}, {"302", "160"}},
			hurt:     []string{"Stung four times by wasps when the mower went over a nest at {spot}."},
			nearMiss: []string{"Wasp nest in the hedge at {spot}; everyone got back in the truck."},
			hazard:   []string{"Bull ants all over the pump shed at {spot}."}},
		{key: "heat", weight: 0.8, mechanism: "53", breakdown: "7112", agency: "7112", grave: 0.2,
			harms:    [][2]string{{"313", "390"}},
			hurt:     []string{"Felt sick and dizzy after whipper-snipping at {spot} in the heat; cooled down in the truck."},
			nearMiss: []string{"Two of us had headaches and no water left by noon at {spot}."},
			hazard:   []string{"No shade and no water point on the long run at {spot}."}},
	},
	"roads": {
		{key: "traffic", weight: 2.5, mechanism: "28", breakdown: "2439", agency: "2439", grave: 0.9,
			harms:    [][2]string{{"118", "440"}, {"169", "440"}, {"159", "440"}},
			hurt:     []string{"Car came through the cones at {spot} and its mirror hit the stop-slow controller's arm."},
			nearMiss: []string{"Car went through the stop sign at {spot} and between the crew and the roller.", "Truck reversed without a spotter at {spot} and stopped a metre from two people behind it.", "Semi took the closed lane at {spot} and knocked over six cones."},
			hazard:   []string{"Advance warning sign at {spot} is hidden behind a tree.", "Tip trucks reverse at {spot} without a spotter and the beeper on one does not work."}},
		{key: "crush", weight: 1.5, mechanism: "26", breakdown: "2413", agency: "2413", grave: 0.6,
			harms:    [][2]string{{"149", "461"}, {"118", "461"}, {"169", "460"}},
			hurt:     []string{"Finger caught between the tailgate and the tray at {spot} when the load shifted."},
			nearMiss: []string{"Tailgate dropped without warning at {spot} as the pin was pulled; hand was out of the way."},
			hazard:   []string{"Tailgate pin on the tipper used at {spot} is bent."}},
		{key: "lift", weight: 2.5, mechanism: "42", breakdown: "417", agency: "417", grave: 0.05,
			harms:    [][2]string{{"223", "311"}, {"219", "450"}, {"223", "410"}},
			hurt:     []string{"Sharp pain in the back after an hour of shovelling hot mix at {spot}."},
			nearMiss: []string{"Kerb stone slipped out of the clamp at {spot} and landed beside the boot."},
			hazard:   []string{"Kerb clamp for {spot} has one pad missing."}},
		{key: "burn", weight: 1, mechanism: "51", breakdown: "525", agency: "525", grave: 0.3,
			harms:    [][2]string{{"174", "440"}, {"174", "460"}},
			hurt:     []string{"Hot bitumen splashed over the glove at {spot}; burn to the wrist."},
			nearMiss: []string{"Spray bar spat hot bitumen towards the shovel hand at {spot}."},
			hazard:   []string{"Burns kit on the bitumen truck going to {spot} is out of date."}},
	},
	"drainage": {
		{key: "trench", weight: 1.5, mechanism: "91", breakdown: "7124", agency: "7124", grave: 0.95,
			harms:    [][2]string{{"169", "540"}, {"118", "540"}},
			hurt:     []string{"Side of the trench slumped at {spot} and pinned the worker's leg to the knee. Dug out by the crew."},
			nearMiss: []string{"Trench wall at {spot} let go during the lunch break; the box was still on the truck."},
			hazard:   []string{"Trench at {spot} is over a metre and a half deep and has no shoring."}},
		{key: "slip", weight: 2, mechanism: "02", breakdown: "713", agency: "713", grave: 0.1,
			harms:    [][2]string{{"219", "530"}, {"169", "311"}, {"118", "450"}},
			hurt:     []string{"Slipped on the wet apron of {spot} carrying the pump and fell on one knee."},
			nearMiss: []string{"Nearly went over on the moss at {spot}."},
			hazard:   []string{"Steps down to {spot} are covered in moss."}},
		{key: "lid", weight: 2, mechanism: "41", breakdown: "195", agency: "195", grave: 0.1,
			harms:    [][2]string{{"223", "311"}, {"169", "461"}},
			hurt:     []string{"Strained the back lifting the pit lid at {spot}; the lifter was not on the truck."},
			nearMiss: []string{"Pit lid dropped back at {spot} and missed the toes."},
			hazard:   []string{"Lid lifter for {spot} has a cracked weld."}},
	},
	"nursery": {
		{key: "lift", weight: 2.5, mechanism: "41", breakdown: "2369", agency: "4359", grave: 0.05,
			harms:    [][2]string{{"223", "311"}, {"219", "450"}, {"223", "410"}},
			hurt:     []string{"Back gave a twinge lifting the tenth tray of tubestock in {spot}."},
			nearMiss: []string{"Stack of trays tipped off the trolley in {spot}.", "Trolley ran away down the ramp at {spot} and stopped at the wall."},
			hazard:   []string{"Potting bench in {spot} is too low for everyone.", "Trolley in {spot} has a seized wheel."}},
		{key: "slip", weight: 2, mechanism: "02", breakdown: "723", agency: "723", grave: 0.1,
			harms:    [][2]string{{"219", "550"}, {"169", "530"}},
			hurt:     []string{"Slipped on algae on the path in {spot} and twisted an ankle."},
			nearMiss: []string{"Slid on the wet path in {spot}, grabbed the rail.", "Hose left across the path in {spot}; somebody hurdled it with a full tray."},
			hazard:   []string{"Algae on the path in {spot} again.", "Puddle by the power point in {spot}."}},
		{key: "chemical", weight: 1, mechanism: "61", breakdown: "5314", agency: "5314", grave: 0.3,
			harms:    [][2]string{{"172", "460"}, {"301", "120"}},
			hurt:     []string{"Splash of spray mix in the eye while rinsing the tank in {spot}."},
			nearMiss: []string{"Knapsack lid came off in {spot} and ran down the back of the coat."},
			hazard:   []string{"Spray mixed in an unmarked drink bottle found in {spot}."}},
	},
	"waste": {
		{key: "sharps", weight: 3, mechanism: "12", breakdown: "6261", agency: "6261", grave: 0.3,
			harms:    [][2]string{{"149", "461"}, {"149", "460"}, {"154", "461"}},
			hurt:     []string{"Cut through the glove by broken glass on {spot}.", "Needle in a bag on {spot} went through the glove into the thumb."},
			nearMiss: []string{"Syringe in the cardboard on {spot}; seen before it was touched.", "Glass burst in the compactor at {spot} and went over the rail."},
			hazard:   []string{"No sharps bin at {spot}.", "Gloves at {spot} are the thin ones again."}},
		{key: "strain", weight: 2.5, mechanism: "42", breakdown: "4456", agency: "4456", grave: 0.05,
			harms:    [][2]string{{"223", "311"}, {"223", "410"}, {"219", "450"}},
			hurt:     []string{"Shoulder sore after dragging heavy bins across {spot} all morning."},
			nearMiss: []string{"Bin tipped over at {spot} as it was pulled off the kerb."},
			hazard:   []string{"Belt height on {spot} means reaching over all day."}},
		{key: "plant", weight: 1.5, mechanism: "28", breakdown: "215", agency: "215", grave: 0.9,
			harms:    [][2]string{{"169", "560"}, {"118", "560"}},
			hurt:     []string{"Loader bucket clipped the picker's foot at {spot} while he was behind the pile."},
			nearMiss: []string{"Loader reversed without a spotter at {spot} and a customer jumped out of the way.", "Customer walked behind the loader at {spot} to look for a toy."},
			hazard:   []string{"Nothing separates people from the loader at {spot}."}},
		{key: "fire", weight: 0.6, mechanism: "51", breakdown: "168", agency: "168", grave: 0.5,
			harms:    [][2]string{{"174", "460"}},
			hurt:     []string{"Burn to the hand pulling a smoking battery out of the pile at {spot}."},
			nearMiss: []string{"Battery caught fire in the pile at {spot}; put out with the hose."},
			hazard:   []string{"Batteries are going into the general pile at {spot}."}},
	},
	"workshop": {
		{key: "eye", weight: 2, mechanism: "28", breakdown: "117", agency: "117", grave: 0.3,
			harms:    [][2]string{{"301", "120"}, {"174", "440"}},
			hurt:     []string{"Grit in the eye from the grinder in {spot}, with safety glasses but no shield."},
			nearMiss: []string{"Disc shattered on the grinder in {spot}; the guard caught it."},
			hazard:   []string{"Guard is off the bench grinder in {spot}."}},
		{key: "knuckle", weight: 2.5, mechanism: "11", breakdown: "423", agency: "423", grave: 0.05,
			harms:    [][2]string{{"149", "460"}, {"169", "461"}},
			hurt:     []string{"Spanner slipped on a seized nut in {spot}; knuckles split on the chassis."},
			nearMiss: []string{"Breaker bar let go in {spot} and went past the face."},
			hazard:   []string{"The big socket set in {spot} is worn and slips."}},
		{key: "jack", weight: 1, mechanism: "26", breakdown: "1555", agency: "2419", grave: 0.95,
			harms:    [][2]string{{"169", "330"}, {"118", "461"}},
			hurt:     []string{"Truck settled on the jack in {spot} and trapped a finger under the sill."},
			nearMiss: []string{"Truck came off the jack in {spot} a minute after the fitter rolled out.", "Hoist dropped ten centimetres by itself in {spot}."},
			hazard:   []string{"Axle stands in {spot} have no rating plate."}},
		{key: "noise", weight: 0.6, mechanism: "32", breakdown: "117", agency: "117", grave: 0.1,
			harms:    [][2]string{{"771", "130"}},
			hurt:     []string{"Ringing in the ears since the weeks of grinding in {spot}; hearing test booked."},
			nearMiss: []string{"Compressor relief valve let go beside two of us in {spot}."},
			hazard:   []string{"Nobody wears ear muffs in {spot} when the rattle gun is going."}},
	},
}

// damageTexts and releaseTexts serve every crew.
var damageTexts = []string{
	"Side mirror torn off the truck on the gate post at {spot}.",
	"Reversed into the bollard at {spot}; tail light and bumper broken.",
	"Trailer came off the ball at {spot} and bent the jockey wheel.",
	"Window of a parked car cracked at {spot} while we were working beside it.",
}

var releaseTexts = []struct {
	text, substance string
	litres          float64
	toDrain         bool
}{
	{"Hydraulic hose burst at {spot}; oil on the road, sand put down at once.", "hydraulic oil", 15, false},
	{"Jerry can tipped in the tray at {spot} and diesel ran to the kerb.", "diesel", 8, true},
	{"Two-stroke fuel spilt while filling saws at {spot}.", "petrol and oil mix", 0.5, false},
	{"Spray tank overflowed while filling at {spot}.", "herbicide mix", 30, true},
}
