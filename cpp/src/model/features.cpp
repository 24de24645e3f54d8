#include <lobetime/model/features.hpp>

#include <cmath>
#include <limits>
#include <unordered_map>

namespace lobetime {
namespace {

double one_if_set(double flag) { return flag > 0.5 ? 1.0 : 0.0; }  // NaN compares false

std::unordered_map<std::string, int> positions(const std::vector<std::string>& codes) {
    std::unordered_map<std::string, int> map;
    for (std::size_t i = 0; i < codes.size(); ++i) map.emplace(codes[i], static_cast<int>(i));
    return map;
}

int position(const std::unordered_map<std::string, int>& map, const std::string& code) {
    const auto it = map.find(code);
    return it == map.end() ? -1 : it->second;
}

}  // namespace

std::vector<CaseFeatures> case_features(const CaseTable& cases, const ModelLayout& layout) {
    const auto surgeons = positions(layout.surgeons());
    const auto devices = positions(layout.devices());
    std::vector<CaseFeatures> features(cases.size());
    for (std::size_t i = 0; i < cases.size(); ++i) {
        CaseFeatures& f = features[i];
        f.log_v80 = std::log(cases.gland_ml[i] / 80.0);
        if (std::isfinite(cases.surgeon_case_no[i])) f.cases_done = cases.surgeon_case_no[i] - 1.0;
        switch (cases.blade[i]) {
            case BladeMotion::reciprocating:
                f.oscillating = 0.0;
                break;
            case BladeMotion::oscillating:
                f.oscillating = 1.0;
                break;
            case BladeMotion::unknown:
                break;
        }
        if (cases.suction[i] != Suction::unknown) {
            f.vacuum = cases.suction[i] == Suction::vacuum ? 1.0 : 0.0;
            f.peristaltic = cases.suction[i] == Suction::peristaltic ? 1.0 : 0.0;
            f.wall = cases.suction[i] == Suction::wall ? 1.0 : 0.0;
        }
        f.trainee = one_if_set(cases.trainee[i]);
        f.anticoagulated = one_if_set(cases.anticoagulated[i]);
        f.hard_nodule = one_if_set(cases.hard_nodule[i]);
        f.device_fault = one_if_set(cases.device_fault[i]);
        f.spinal = cases.anaesthesia[i] == Anaesthesia::spinal ? 1.0 : 0.0;
        f.log_canister = std::isfinite(cases.canister_ml[i]) ? std::log(cases.canister_ml[i])
                                                             : std::numeric_limits<double>::infinity();
        f.log_tissue = std::log(cases.tissue_g[i]);
        f.surgeon = position(surgeons, cases.surgeon[i]);
        f.device = position(devices, cases.device[i]);
    }
    return features;
}

}  // namespace lobetime
