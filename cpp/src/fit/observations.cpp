#include <lobetime/fit/observations.hpp>

#include <cmath>
#include <limits>

namespace lobetime {

std::string_view channel_name(Channel channel) {
    static constexpr std::array<std::string_view, kChannels> names = {
        "tissue", "enucleation", "haemostasis", "morcellation", "room", "operative", "theatre"};
    return names[static_cast<std::size_t>(channel)];
}

LogRatio log_ratio(double x) {
    static const double log_from = std::log(kLogFrom);
    if (x >= kLogFrom) return {std::log(x), 1.0};
    return {log_from + x / kLogFrom - 1.0, x / kLogFrom};
}

bool is_sum(Channel channel) { return channel == Channel::operative || channel == Channel::theatre; }

std::vector<Observation> observations_of(const CaseTable& cases, std::vector<CaseFeatures>& features) {
    std::vector<Observation> found;
    found.reserve(cases.size() * 4);
    for (std::size_t i = 0; i < cases.size(); ++i) {
        const int case_index = static_cast<int>(i);
        const MorcellationOutcome outcome = cases.morcellation_outcome[i];
        const bool complete = outcome == MorcellationOutcome::complete;
        const double enucleation = cases.enucleation_min[i], haemostasis = cases.haemostasis_min[i];
        const double morcellation = cases.morcellation_min[i], operative = cases.operative_min[i];
        const double theatre = cases.theatre_min[i];
        const auto recorded = [](double minutes) { return std::isfinite(minutes); };
        const auto add = [&](Channel channel, std::uint8_t phases, double minutes, double offset) {
            const bool bound = !complete && (phases & phase::morcellation) != 0;
            found.push_back({case_index, bound ? ObservationKind::survivor : ObservationKind::residual, channel, phases,
                             minutes, offset});
        };

        if (outcome == MorcellationOutcome::deferred) features[i].log_tissue = std::numeric_limits<double>::quiet_NaN();
        if (!complete) features[i].canister_swaps = std::numeric_limits<double>::quiet_NaN();
        if (std::isfinite(features[i].log_tissue))
            found.push_back({case_index, ObservationKind::residual, Channel::tissue, 0, cases.tissue_g[i], 0.0});
        if (recorded(enucleation)) add(Channel::enucleation, phase::enucleation, enucleation, 0.0);
        if (recorded(morcellation)) add(Channel::morcellation, phase::morcellation, morcellation, 0.0);
        if (recorded(haemostasis) && !recorded(operative))
            add(Channel::haemostasis, phase::haemostasis, haemostasis, 0.0);

        double offset = 0.0;
        std::uint8_t open = phase::haemostasis;
        if (recorded(enucleation))
            offset += enucleation;
        else
            open |= phase::enucleation;
        if (recorded(morcellation))
            offset += morcellation;
        else
            open |= phase::morcellation;
        if (recorded(operative))
            add(open == phase::haemostasis ? Channel::haemostasis : Channel::operative, open, operative, offset);
        if (recorded(theatre)) {
            if (recorded(operative)) {
                add(Channel::room, phase::room, theatre, operative);
            } else {
                if (recorded(haemostasis)) {
                    offset += haemostasis;
                    open = static_cast<std::uint8_t>(open & ~phase::haemostasis);
                }
                open |= phase::room;
                add(open == phase::room ? Channel::room : Channel::theatre, open, theatre, offset);
            }
        }
        if (complete && std::isfinite(features[i].canister_swaps) && std::isfinite(features[i].log_canister))
            found.push_back(
                {case_index, ObservationKind::swap_count, Channel::morcellation, 0, features[i].canister_swaps, 0.0});
    }
    return found;
}

}  // namespace lobetime
