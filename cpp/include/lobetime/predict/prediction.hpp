#pragma once
#include <lobetime/inference/fitted_model.hpp>

#include <array>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

inline constexpr int kPhases = 4;
/// "enucleation", "haemostasis" (everything in the operation that is neither enucleation nor morcellation),
/// "morcellation", "room".
const std::array<std::string_view, kPhases>& phase_names();

struct PredictOptions {
    int draws = 4096;  ///< 100 to 10,000,000
    std::uint64_t seed = 1;
    int threads = 0;  ///< 0 = as many as the machine has; results do not depend on it
    /// Correct by the model's held-out cases (see `predict`). By default where there are enough of them; "on" without
    /// any is refused.
    std::optional<bool> conformal;
    /// Asked about ten times a second, by the calling thread only; false stops. What it throws stops too.
    std::function<bool(int done, int total)> progress;
    void check() const;
};

/// What makes a case long: minutes of median theatre time that go when one thing is set to the unit's usual.
struct Explanation {
    double reference_gland_ml = 80.0;  ///< median gland of the history
    double volume_min = 0.0;           ///< gland against the reference
    double expected_swaps = 0.0;       ///< of the canister
    double swaps_min = 0.0;
    double case_no = 0.0;         ///< the surgeon's, NaN if unknown
    double learning_min = 0.0;    ///< against the plateau
    double surgeon_min = 0.0;     ///< against the unit's average surgeon
    double device_min = 0.0;      ///< against the unit's most used device class
    double covariates_min = 0.0;  ///< trainee, anticoagulants, a known hard nodule, spinal
};

/// Where the model is guessing.
enum class Flag {
    no_history,              ///< the published prior alone
    gland_beyond_range,      ///< outside the glands of the history
    surgeon_unseen,          ///< the spread between surgeons is integrated over
    experience_unknown,      ///< the case number is integrated over 1 to 300
    device_class_unseen,     ///< no case of this class in the history
    device_class_unknown,    ///< blade or suction blank: integrated over
    device_unseen,           ///< the device's code is new: the spread between devices is integrated over
    collection_unknown,      ///< no canister column: taken as continuous drain
    haemostasis_from_prior,  ///< the history says nothing of the rest of the operation
    room_from_prior          ///< the history says nothing of the time around the operation
};
std::string_view flag_name(Flag flag);

/// Joint draws: minutes[((case * draws) + draw) * kPhases + phase]. Draw d of every case shares parameters, surgeon and
/// device; device-fault and hard-nodule delays are in morcellation by their chance.
struct Prediction {
    std::size_t n_cases = 0, n_draws = 0;
    std::vector<double> minutes;
    std::vector<double> swaps;  ///< case * draws + draw
    std::vector<Explanation> explanations;
    std::size_t held_out_cases = 0;  ///< that the draws were corrected by; 0 = as the model has them
    std::vector<std::vector<Flag>> flags;

    double total(std::size_t case_index, std::size_t draw) const;
};

/// Joint draws for booked cases.
///
/// The stream of a case is named by its case_id (its position if blank), so the same seed gives a case the same
/// draws at any thread count, in any order and next to any other bookings. A blank case number is the surgeon's next
/// one; an unseen surgeon's is drawn log-uniformly from 1 to 300.
/// Corrected by n held-out cases, the draw that stood at rank p of its case takes the value at rank u_(k) of it, u
/// ascending places of held-out outcomes and k = ceil((n + 1) p): split conformal prediction with the predictive
/// distribution as score (PNAS 2021;118:e2107794118). If cases to come and held-out ones are exchangeable, a quantile p
/// of the phases' sum is then exceeded with chance at most 1 - p, whatever the model; beyond p = n / (n + 1) nothing is
/// promised. Phases keep their shares.
///
/// Throws InvalidArgument (options, glands not positive).
Prediction predict(const FittedModel& model, const CaseTable& bookings, const PredictOptions& options = {});

}  // namespace lobetime
