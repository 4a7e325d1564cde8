// Made from pkg/wire by TestWireTypes; do not edit.

export interface View {
  type: string;
  site: string;
  build: string;
  rev: number;
  now_us: number;
  rules: Rules;
  session: Session | null;
  sessions: Session[] | null;
  circuits: CircuitView[] | null;
  locomotives: Locomotive[] | null;
  consists: Consist[] | null;
  trials: Trial[] | null;
  results: TrialResult[] | null;
  passages: PassageVerdict[] | null;
  motors: MotorVerdict[] | null;
  order?: Order;
  doubts: string[] | null;
  named_motors: NamedMotor[] | null;
  batteries: Battery[] | null;
  margins?: Margin[];
  notes: NoteRecord[] | null;
  pulls: PullRecord[] | null;
  meet: Meet | null;
  entries: Entry[] | null;
  plan: Plan | null;
  scoring: Scoring | null;
  seal: SealRecord | null;
  meet_results: MeetResults | null;
  replay?: ReplayState;
}

export interface Frame {
  type: string;
  rev: number;
  now_us: number;
  setup?: boolean;
  results?: TrialResult[];
  passages?: PassagesOf[];
  motors?: MotorVerdict[];
  order?: Order;
  replay?: ReplayState;
}

export interface Results {
  rules: Rules;
  site?: string;
  session?: Session;
  lap_length_mm: Estimate;
  trials: TrialResult[] | null;
  unassigned_passages: number;
  order?: Order;
  doubts: string[] | null;
  circuit?: CircuitValue;
  locomotives?: Locomotive[];
  consists?: Consist[];
  scoring?: Scoring;
  notes?: NoteRecord[];
  pulls?: PullRecord[];
  meet?: MeetResults;
  seal?: SealRecord;
}

export interface History {
  locomotive: string;
  trials: PastTrial[] | null;
}

export interface Health {
  site: string;
  now_us: number;
  started_us: number;
  journal_seq: number;
  scored_seq: number;
  accepted: number;
  duplicates: number;
  rejected: number;
  denied: number;
  overloaded: number;
  agents: AgentHealth[] | null;
  rejects: Reject[] | null;
  unknown_gates: string[] | null;
  doubts: string[] | null;
  viewers: number;
}

export interface Credential {
  agent: string;
  password?: string;
  gates: string[] | null;
  motors: string[] | null;
  cells: string[] | null;
}

export interface Reply {
  ok: boolean;
  seq?: number;
  duplicate?: boolean;
  reason?: string;
  conflict?: boolean;
  id?: string;
}

export interface CircuitValue {
  circuit: Circuit;
  gates: Gate[] | null;
}

export interface LapValue {
  trial: string;
  lap: number;
  void: boolean;
}

export interface NoteValue {
  trial?: string;
  text: string;
}

export interface OrderValue {
  trials: string[] | null;
}

export interface ClockTold {
  t1_us: number;
  t2_us: number;
  t3_us: number;
}

export interface RosterCheck {
  rev: number;
  items: RosterItem[] | null;
  complaints: Complaint[] | null;
  remarks: string[] | null;
}

export interface ReplayNote {
  type: string;
  replay?: ReplayState;
  reason?: string;
}

export interface WheelCheck {
  set: string;
  motor: string;
  stated_mm: number;
  diameter_mm: Estimate;
  calibration: WheelCalibration;
  doubts: string[] | null;
}

export interface CurveOf {
  motor: string;
  curve: MotorCurve;
}

export interface CoastResult {
  runs: number;
  a_m_s2: Estimate;
  b_per_s: Estimate;
  c_per_m: Estimate;
  curve_m_s2: Estimate;
  consists: CoastTerms[] | null;
  against?: CoastAgainst[];
  doubts: string[] | null;
}

export interface PredictAsk {
  circuit?: string;
  locomotive: Locomotive;
  consist?: Consist;
  motors?: NamedMotor[];
  duty_permille: number;
  supply_mv: number;
  supply_ohm?: number;
  trial?: string;
  variant?: PredictAsk;
}

export interface Prediction {
  circuit?: string;
  locomotive: string;
  consist?: string;
  duty_permille: number;
  supply_mv: number;
  speed_mm_s: Estimate;
  lap_time_s: Estimate;
  pull_mn: Estimate;
  limit: string;
  sets: PredictedSet[] | null;
  at: PredictedAt[] | null;
  measured?: PredictedBeside[];
  assumed: Assumption[] | null;
  doubts: string[] | null;
  variant?: Prediction;
  difference?: PredictedDifference;
}

export interface PairingAsk {
  circuit?: string;
  locomotive: Locomotive;
  consist?: Consist;
  motors?: NamedMotor[];
  compare?: string[];
  gears?: number[];
  supply_mv: number;
  supply_ohm?: number;
}

export interface PairingTable {
  circuit?: string;
  locomotive: string;
  consist?: string;
  supply_mv: number;
  pairings: Pairing[] | null;
  assumed: Assumption[] | null;
  doubts: string[] | null;
}

export interface Driving {
  type?: string;
  boot: string;
  revision: number;
  holder?: string;
  since_us?: number;
  motors: DrivenMotor[] | null;
  trims?: TrimState[];
  sweep?: SweepState;
  stopped_us?: number;
  stopped_by?: string;
  why?: string;
  pressed?: boolean;
}

export interface DrivingAsk {
  do: string;
  by?: string;
  hold?: string;
  take_over?: boolean;
  cautions?: boolean;
  motors?: string[];
  duties_permille?: Record<string, number>;
  ramp_s?: number;
  trim?: TrimAsk;
  sweep?: SweepAsk;
  why?: string;
}

export interface DrivingReply {
  ok: boolean;
  reason?: string;
  held?: string;
  hold?: string;
  hold_ms?: number;
  driving: Driving;
}

export interface PairedOrder {
  seed: number;
  runs: PairTurn[] | null;
}

export interface PairedResult {
  experiment: string;
  session: string;
  runs: PairedRun[] | null;
  lap_time_s: PairedDifference;
  speed_mm_s: PairedDifference;
  desync: PairedDifference;
  doubts: string[] | null;
}

export interface CompareAnswer {
  result: CompareResult;
  sessions: ComparedSession[] | null;
  circuits: string[] | null;
  margin_s: number | null;
  factors: CompareFactor[] | null;
}

export interface PullResult {
  locomotives: PullLimit[] | null;
  agreement?: PullAgreement;
  first?: PullFirst[];
  doubts: string[] | null;
}

export interface PullValue {
  id: string;
  locomotive: string;
  mass_g?: number;
  method?: string;
  load_g?: number;
  load_is?: string;
  before_g?: number;
  at_pull_g?: number;
  outcome?: string;
  direction?: string;
  set?: string;
  wheels?: string;
  speed_mm_s?: number;
  by_telemetry?: boolean;
  void?: boolean;
}

export interface PullSeen {
  from_us: number;
  until_us: number;
  outcome: string;
  wheels: string;
  load_g: number | null;
  speed_mm_s: number | null;
  says: string[] | null;
  doubts: string[] | null;
}

export interface Rules {
  version: string;
  disorder_window_us: number;
  bounce_gap_us: number;
  max_speed_mm_s: number;
  snapshot_every: number;
  lag_gates: number;
}

export interface Session {
  id: string;
  name: string;
  circuit: string;
  opened_us?: number;
  closed_us?: number;
}

export interface CircuitView {
  circuit: Circuit;
  gates: Gate[] | null;
  length_mm: number;
  pieces_mm: number;
  gap_mm: number;
  heading_deg: number;
  plan: PlanPoint[] | null;
  hint?: string;
  changes?: PieceChange[];
}

export interface Locomotive {
  id: string;
  name: string;
  owner?: string;
  mass_g?: number;
  length_mm?: number;
  driver_sets?: DriverSet[];
  variant_of?: string;
  note?: string;
  resistance?: Resistance;
}

export interface Consist {
  id: string;
  name: string;
  cars?: Car[];
  variant_of?: string;
  resistance?: Resistance;
}

export interface Trial {
  id: string;
  locomotive: string;
  consist?: string;
  from_us?: number;
  to_us?: number;
  warmup_laps?: number;
  direction?: string;
  tag?: string;
  entrant?: string;
  start_mm?: number;
  conditions?: Record<string, unknown>;
  battery?: string;
  ends_after_laps?: number;
  ends_after_s?: number;
  outcome?: string;
  void?: boolean;
  run?: string;
  entry?: string;
}

export interface TrialResult {
  trial: string;
  train: string;
  consist?: string;
  state: string;
  passages: number;
  laps: Lap[] | null;
  lap_count: number;
  speed_mm_s: Estimate;
  scale_km_h?: number;
  consistency: Consistency;
  sets: SetResult[] | null;
  desync: Desync[] | null;
  regulated: Regulated;
  incidents: Incident[] | null;
  dropped: Dropped;
  doubts: string[] | null;
  about?: Trial;
  why?: string;
}

export interface PassageVerdict {
  trial: string;
  gate: string;
  at_us: number;
  u_us: number;
  position_mm: number;
  lap: number;
  source: string;
  final: boolean;
  reverse?: boolean;
  trap_mm_s?: number;
  u_trap_mm_s?: number;
}

export interface MotorVerdict {
  motor: string;
  locomotive?: string;
  set?: string;
  at_us: number;
  wheel_speed_mm_s: number | null;
  u_wheel_speed_mm_s?: number;
  slip?: number;
  u_slip?: number;
  desync?: number;
  u_desync?: number;
  duty_permille?: number;
  current_ma?: number;
  voltage_mv?: number;
}

export interface Order {
  state: string;
  trials: string[] | null;
  offer?: string[];
  text: string;
}

export interface NamedMotor {
  id: string;
  name: string;
  nominal_mv?: number;
  variant_of?: string;
  note?: string;
  curve?: MotorCurve;
}

export interface Battery {
  id: string;
  name: string;
  chemistry?: string;
  cells?: number;
  capacity_mah?: number;
  nominal_mv?: number;
  variant_of?: string;
  note?: string;
}

export interface Margin {
  circuit: string;
  lap_time_s: number;
}

export interface NoteRecord {
  id: string;
  at_us: number;
  by: string;
  trial?: string;
  text: string;
}

export interface PullRecord {
  id: string;
  locomotive: string;
  mass_g?: number;
  method?: string;
  load_g?: number;
  load_is?: string;
  before_g?: number;
  at_pull_g?: number;
  outcome?: string;
  direction?: string;
  set?: string;
  wheels?: string;
  speed_mm_s?: number;
  by_telemetry?: boolean;
  void?: boolean;
  decision: string;
  by: string;
  at_us: number;
  why?: string;
}

export interface Meet {
  classes: Class[] | null;
  rank: string;
  rounds: number;
  laps?: number;
  seconds?: number;
  warmup_laps?: number;
  consist?: string;
  direction?: string;
  swap_every?: number;
}

export interface Entry {
  id: string;
  person: string;
  locomotive: string;
  class?: string;
  withdrawn?: boolean;
}

export interface Plan {
  seed: number;
  design: string;
  rounds: number;
  swap_every?: number;
  runs: Run[] | null;
}

export interface Scoring {
  min_lap_s?: number;
  lap_length_mm?: number;
  lap_length_u_mm?: number;
  gates?: Record<string, number>;
}

export interface SealRecord {
  digest: string;
  by: string;
  at_us: number;
  decision: string;
}

export interface MeetResults {
  rank: string;
  classes: ClassResult[] | null;
  runs: number;
  done: number;
}

export interface ReplayState {
  session: string;
  name?: string;
  trial?: string;
  running?: boolean;
  from_us: number;
  to_us: number;
  at_us: number;
  rate: number;
  ended?: boolean;
  done: number;
  facts: number;
  index: number;
  crossings: number;
  crossing?: ReplayCrossing;
  trials?: ReplayTrial[];
  obeyed?: number;
}

export interface PassagesOf {
  trial: string;
  from_us: number;
  passages: PassageVerdict[] | null;
}

export interface Estimate {
  value: number | null;
  lo: number | null;
  hi: number | null;
  u?: number;
}

export interface PastTrial {
  session: string;
  session_name: string;
  circuit: string;
  circuit_name: string;
  lap_length_mm: number | null;
  signed?: boolean;
  about: Trial;
  why?: string;
  speed_mm_s: Estimate;
  consistency: Consistency;
  incidents: number;
}

export interface AgentHealth {
  agent: string;
  boot: string;
  version?: string;
  last_us: number;
  events: number;
  duplicates: number;
  stored_seq: number;
  missing: number;
  offset_us: number | null;
  u_offset_us: number | null;
  drift_ppm: number | null;
  u_drift_ppm: number | null;
  delay_us: number | null;
  last_sync_us?: number;
  clock: string;
  epochs: number;
  battery_mv?: number;
  rssi_dbm?: number;
  gates?: string[];
  motors?: string[];
  clock_points?: ClockPoint[];
}

export interface Reject {
  at_us: number;
  subject: string;
  agent?: string;
  reason: string;
  first: string;
  bytes: number;
}

export interface Circuit {
  id: string;
  name: string;
  pieces?: Piece[];
  lap_length_mm?: number;
  lap_length_u_mm?: number;
  scale_ratio?: number;
}

export interface Gate {
  id: string;
  position_mm: number;
  timing?: boolean;
  pair_mm?: number;
}

export interface RosterItem {
  what: string;
  id: string;
  is: string;
  line: number;
  value: unknown;
}

export interface Complaint {
  line: number;
  column?: string;
  reason: string;
}

export interface WheelCalibration {
  circuit: string;
  lap_length_mm: number;
  session?: string;
  trials?: string[];
  laps: number;
  u_mm: number;
  own_u_mm: number;
}

export interface MotorCurve {
  resistance_ohm: Estimate;
  k_v_s: Estimate;
  no_load_ma: Estimate;
  covariance?: number[][];
  residual_mv?: number;
  steps?: CurveStep[];
  session?: string;
  trials?: string[];
  source?: string;
  doubts?: string[];
}

export interface CoastTerms {
  consist: string;
  name: string;
  sessions?: string[];
  runs: number;
  instants: number;
  a_m_s2: Estimate;
  b_per_s: Estimate;
  c_per_m: Estimate;
  curve_m_s2: Estimate;
  rotating: number;
  place_u_mm: number;
  mass_g: number | null;
  forces: CoastAt[] | null;
  held: string[] | null;
  chi2_df: number | null;
  scatter_s: number | null;
  run_list: CoastRun[] | null;
  doubts: string[] | null;
  resistance: Resistance;
}

export interface CoastAgainst {
  a: string;
  b: string;
  name_a: string;
  name_b: string;
  speed_mm_s: number;
  difference_m_s2: Estimate;
  verdict: string;
}

export interface PredictedSet {
  set: string;
  motor: string;
  current_ma: Estimate;
  effort_mn: Estimate;
  slip: Estimate;
  limit: string;
  stall_mn: Estimate;
}

export interface PredictedAt {
  duty_permille: number;
  speed_mm_s: number | null;
  speed_lo_mm_s: number | null;
  speed_hi_mm_s: number | null;
  lap_time_s: number | null;
  pull_mn: number | null;
  limit: string;
  desync: number | null;
  desync_lo: number | null;
  desync_hi: number | null;
}

export interface PredictedBeside {
  trial: string;
  duty_permille: number;
  speed_mm_s: Estimate;
  predicted_mm_s: Estimate;
}

export interface Assumption {
  name: string;
  value: number;
  u: number;
  text: string;
}

export interface PredictedDifference {
  speed_mm_s: Estimate;
  lap_time_s: Estimate;
  pull_mn: Estimate;
  at: DifferenceAt[] | null;
}

export interface Pairing {
  a: string;
  b: string;
  gear_a: number;
  gear_b: number;
  at: PairingAt[] | null;
  worst_abs: number;
}

export interface DrivenMotor {
  motor: string;
  locomotive?: string;
  set?: string;
  asked_permille: number;
  duty_permille: number;
  wheel_speed_mm_s: number | null;
  heard_us?: number;
  why?: string;
}

export interface TrimState {
  locomotive: string;
  a: string;
  b: string;
  on: boolean;
  most_permille?: number;
  a_permille: number;
  b_permille: number;
  desync: number | null;
  u_desync?: number;
  why?: string;
  saturated?: boolean;
}

export interface SweepState {
  motors: string[] | null;
  from_permille: number;
  to_permille: number;
  steps: number;
  hold_s: number;
  ramp_s?: number;
  step: number;
  at_us: number;
  over?: boolean;
  ended?: string;
  total_us: number;
}

export interface TrimAsk {
  locomotive: string;
  a: string;
  b: string;
  on: boolean;
  most_permille?: number;
}

export interface SweepAsk {
  motors: string[] | null;
  from_permille: number;
  to_permille: number;
  steps: number;
  hold_s: number;
  ramp_s?: number;
}

export interface PairTurn {
  pair: number;
  place: number;
  trim: string;
}

export interface PairedRun {
  pair: number;
  place: number;
  trim: string;
  trial: string;
  laps: number;
  lap_time_s: number | null;
  speed_mm_s: number | null;
  desync: number | null;
  left?: string;
}

export interface PairedDifference {
  n: number;
  on: number | null;
  off: number | null;
  difference: Estimate;
}

export interface CompareResult {
  factor: string;
  measure: string;
  words: Record<string, string> | null;
  pair?: string;
  fairness: FairnessRow[] | null;
  sides: ComparedSide[] | null;
  pairs: ComparedPair[] | null;
  overall?: OverallTest;
  adjusted_for?: AdjustedFor[];
  trials: ComparedTrial[] | null;
  doubts: string[] | null;
}

export interface ComparedSession {
  id: string;
  name: string;
  circuit: string;
  trials: number;
  opened_us: number;
}

export interface CompareFactor {
  name: string;
  words: string;
  values: string[] | null;
  called?: string[];
}

export interface PullLimit {
  name: string;
  locomotive: string;
  method: string;
  direction?: string;
  set?: string;
  load_is: string;
  mass_g: number | null;
  attempts: PullAttempt[] | null;
  bracket: PullBracket;
  load50_g: Estimate;
  load95_g: Estimate;
  load95_open?: boolean;
  adhesion: Estimate;
  limit: string;
  turned: number;
  stopped: number;
  power_mw: Estimate;
  loads: PullTally[] | null;
  curve: PullAt[] | null;
  steps: PullAt[] | null;
  checks: PullCheck[] | null;
  next?: PullNext;
  fit: string;
  doubts: string[] | null;
}

export interface PullAgreement {
  n: number;
  bias_g: Estimate;
  lower_g: number | null;
  lower_lo_g: number | null;
  lower_hi_g: number | null;
  upper_g: number | null;
  upper_lo_g: number | null;
  upper_hi_g: number | null;
  says: string;
  points: PullAgreePoint[] | null;
}

export interface PullFirst {
  locomotive: string;
  load_g: number;
  why: string;
  done: boolean;
}

export interface PlanPoint {
  s: number;
  x: number;
  y: number;
}

export interface PieceChange {
  do: string;
  at: number;
  piece: Piece;
}

export interface DriverSet {
  id: string;
  motor: string;
  wheel_diameter_mm: number;
  gear_ratio: number;
  counts_per_motor_rev: number;
  weight_g?: number;
  tyres?: boolean;
  wheel_diameter_u_mm?: number;
  calibration?: WheelCalibration;
  gear_efficiency?: number;
  gear_efficiency_u?: number;
  adhesion?: number;
  adhesion_u?: number;
}

export interface Resistance {
  a_m_s2: number;
  b_per_s?: number;
  c_per_m?: number;
  curve_m_s2?: number;
  a_u_m_s2?: number;
  b_u_per_s?: number;
  c_u_per_m?: number;
  curve_u_m_s2?: number;
  source?: string;
  covariance?: number[][];
}

export interface Car {
  name?: string;
  mass_g?: number;
  length_mm?: number;
  axles?: number;
  bearings?: string;
}

export interface Lap {
  lap: number;
  start_us: number;
  lap_time_s: number;
  u_s: number;
  speed_mm_s: number;
  u_speed_mm_s: number;
  scale_km_h?: number;
  source: string;
  counts: string;
  final: boolean;
  sectors: Sector[] | null;
  evenness_cv: number | null;
  wheel_cv: number | null;
  why?: string;
}

export interface Consistency {
  n: number;
  mean_s: number | null;
  mean_u_s: number | null;
  mean_lo_s: number | null;
  mean_hi_s: number | null;
  sd_s: number | null;
  cv: number | null;
  median_s: number | null;
  mad_s: number | null;
  range_s: number | null;
  best_s: number | null;
  best_lap?: number;
  lag1: number | null;
  n_effective: number | null;
  trend_s_per_lap: Estimate;
}

export interface SetResult {
  set: string;
  motor: string;
  wheel_speed_mm_s: Estimate;
  slip: Estimate;
  slip_told: boolean;
  u_diameter_mm?: number;
  by: SlipBy[] | null;
  regulated: Regulated;
}

export interface Desync {
  a: string;
  b: string;
  value: number | null;
  lo: number | null;
  hi: number | null;
  u?: number;
  told: boolean;
  by?: DesyncBy[];
}

export interface Regulated {
  verdict: string;
  droop_mm_s_per_n: Estimate;
  droop_mm_s_per_a: Estimate;
  evidence?: string[];
}

export interface Incident {
  kind: string;
  at_us: number;
  until_us?: number;
  position_mm: number | null;
  position_u_mm?: number;
  from_gate?: string;
  to_gate?: string;
  text?: string;
}

export interface Dropped {
  duplicates: number;
  false_crossings: number;
  late: number;
}

export interface Class {
  id: string;
  name: string;
}

export interface Run {
  id: string;
  round: number;
  place: number;
  entry: string;
  swap_battery?: boolean;
  skipped?: boolean;
}

export interface ClassResult {
  class: string;
  name: string;
  standings: Standing[] | null;
}

export interface ReplayCrossing {
  gate: string;
  edge: string;
  agent?: string;
  at_us: number;
  bus_us: number;
  journal_seq: number;
}

export interface ReplayTrial {
  trial: string;
  locomotive: string;
  name: string;
  from_us: number;
  to_us: number;
  laps_us: number[] | null;
}

export interface ClockPoint {
  at_us: number;
  offset_us: number;
  delay_us: number;
  used: boolean;
}

export interface Piece {
  straight_mm?: number;
  radius_mm?: number;
  angle_deg?: number;
  hand?: string;
}

export interface CurveStep {
  trial?: string;
  load_g: number;
  duty_permille: number;
  rising?: boolean;
  voltage_mv: number;
  current_ma: number;
  speed_rad_s: number;
  u_speed_rad_s?: number;
  residual_mv: number;
  readings: number;
  left?: string;
}

export interface CoastAt {
  speed_mm_s: number;
  dec_m_s2: Estimate;
  force_mn: Estimate;
}

export interface CoastRun {
  run: string;
  start_mm_s: Estimate;
  end_mm_s: number | null;
  residuals: CoastLeft[] | null;
  left?: string;
  distance_mm: number | null;
}

export interface DifferenceAt {
  duty_permille: number;
  speed_mm_s: Estimate;
}

export interface PairingAt {
  duty_permille: number;
  desync: Estimate;
}

export interface FairnessRow {
  condition: string;
  state: string;
  values: string[] | null;
}

export interface ComparedSide {
  level: string;
  id?: string;
  trials: number;
  laps: number;
  mean: Estimate;
  sd: number | null;
  letters?: string;
}

export interface ComparedPair {
  a: string;
  b: string;
  difference: Estimate;
  ratio: Estimate;
  effect_size: Estimate;
  p: number | null;
  df: number | null;
  verdict: string;
  says: string;
  margin: number | null;
  equivalence_p: number | null;
  confounded_by: string[] | null;
  more_trials: number | null;
  more_why?: string;
  unadjusted?: Estimate;
  checks?: ComparedTest[];
  unit: string;
  method: string;
}

export interface OverallTest {
  method: string;
  f: number | null;
  df1: number | null;
  df2: number | null;
  p: number | null;
  ranks_p: number | null;
  like_scatter_p: number | null;
}

export interface AdjustedFor {
  covariate: string;
  slope: Estimate;
  why: string;
}

export interface ComparedTrial {
  trial: string;
  session?: string;
  level: string;
  block?: string;
  mean: number;
  u: number | null;
  laps: number[] | null;
  lag1: number | null;
  effective_laps: number | null;
  left: number;
}

export interface PullAttempt {
  load_g: number;
  outcome: string;
  wheels?: string;
  speed_mm_s?: number;
  by_telemetry?: boolean;
  id?: string;
  session?: string;
  decision?: string;
  at_us?: number;
}

export interface PullBracket {
  moved_g: number | null;
  stalled_g: number | null;
  overlap: boolean;
}

export interface PullTally {
  load_g: number;
  moved: number;
  struggled: number;
  stalled: number;
  share: number;
  lo: number;
  hi: number;
  at_least: number;
}

export interface PullAt {
  load_g: number;
  share: number;
  lo: number | null;
  hi: number | null;
}

export interface PullCheck {
  by: string;
  load50_g: number | null;
  load95_g: number | null;
}

export interface PullNext {
  load_g: number;
  why: string;
  done: boolean;
}

export interface PullAgreePoint {
  locomotive: string;
  moving_g: number;
  static_g: number;
}

export interface Sector {
  from: string;
  to: string;
  time_s: number;
  speed_mm_s: number;
  u_s: number;
  u_speed_mm_s: number;
  from_mm: number;
  length_mm: number;
  source: string;
}

export interface SlipBy {
  speed_mm_s: number;
  place: string;
  load_g: number;
  duty_permille: number | null;
  n: number;
  slip: Estimate;
  slip_told: boolean;
}

export interface DesyncBy {
  speed_mm_s: number;
  place: string;
  load_g: number;
  duty_permille: number | null;
  n: number;
  desync: Estimate;
}

export interface Standing {
  place: number;
  tied?: boolean;
  entry: string;
  person: string;
  locomotive: string;
  trials: string[] | null;
  laps: number;
  value: Estimate;
  best_s: number | null;
  withdrawn?: boolean;
}

export interface CoastLeft {
  position_mm: number;
  at_s: number;
  left_s: number | null;
  stray?: boolean;
}

export interface ComparedTest {
  test: string;
  p: number | null;
}
