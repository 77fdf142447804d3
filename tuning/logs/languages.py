"""What signals are called in other languages: plain words of the dictionary, whole names only."""

from __future__ import annotations

ABROAD: dict[str, str] = {
    "time_s": (
        "zeit, temps, tempo, tiempo, tijd, tid, aika, čas, czas, idő, timp, zaman, süre, время, час, "
        "χρόνος, 时间, 時間, 时刻, 時刻, 시간"
    ),
    "rpm": (
        "motordrehzahl, drehzahl, regime moteur, regime, giri motore, giri, regimen del motor, "
        "revoluciones, revoluciones del motor, rotações, rotação do motor, toerental, motortoerental, "
        "varvtal, motorvarvtal, omdrejningstal, turtall, motorturtall, kierrosluku, moottorin kierrosluku, "
        "otáčky, otáčky motoru, obroty, obroty silnika, prędkość obrotowa silnika, fordulatszám, "
        "motorfordulatszám, turație, turație motor, devir, motor devri, обороты, обороты двигателя, "
        "частота вращения, частота вращения двигателя, частота вращения коленчатого вала, оберти, "
        "оберти двигуна, στροφές, στροφές κινητήρα, 转速, 发动机转速, 引擎转速, 轉速, 引擎轉速, 回転数, "
        "エンジン回転数, 회전수, 엔진 회전수"
    ),
    "map_kPa": (
        "saugrohrdruck, pression admission, pression collecteur, pressione collettore, "
        "pressione aspirazione, presión de admisión, presión del colector, pressão de admissão, "
        "pressão do coletor, inlaatdruk, insugstryck, imusarjan paine, tlak v sání, "
        "ciśnienie w kolektorze, szívócső nyomás, presiune admisie, emme basıncı, "
        "давление во впускном коллекторе, давление впуска, тиск у впускному колекторі, πίεση εισαγωγής, "
        "进气压力, 进气歧管压力, 歧管压力, 進氣壓力, 吸気圧, 吸気管圧力, 흡기 압력"
    ),
    "coolant_degC": (
        "kühlmitteltemperatur, kuehlmitteltemperatur, kühlwassertemperatur, wassertemperatur, "
        "motortemperatur, temperature eau, temperature moteur, temperature liquide refroidissement, "
        "temperature refroidissement, temperatura acqua, temperatura motore, "
        "temperatura liquido refrigerante, temperatura refrigerante, temperatura agua, temperatura motor, "
        "temperatura líquido de arrefecimento, koelvloeistoftemperatuur, watertemperatuur, "
        "motortemperatuur, kylvätsketemperatur, kylvattentemperatur, kølevæsketemperatur, "
        "kjølevæsketemperatur, jäähdytysneste, jäähdytysnesteen lämpötila, moottorin lämpötila, "
        "teplota chladicí kapaliny, teplota motoru, teplota vody, temperatura płynu chłodzącego, "
        "temperatura cieczy chłodzącej, temperatura silnika, hűtővíz hőmérséklet, motor hőmérséklet, "
        "temperatură lichid de răcire, motor sıcaklığı, su sıcaklığı, soğutma suyu sıcaklığı, "
        "температура охлаждающей жидкости, температура двигателя, температура воды, "
        "температура охолоджувальної рідини, температура двигуна, θερμοκρασία ψυκτικού, "
        "θερμοκρασία κινητήρα, θερμοκρασία νερού, 冷却液温度, 冷却水温度, 水温, 发动机温度, 冷卻液溫度, "
        "冷卻水溫度, 水溫, 冷却水温, エンジン水温, 냉각수 온도, 수온"
    ),
    "battery_V": (
        "batteriespannung, batterie, bordspannung, tension batterie, tensione batteria, tensión batería, "
        "tensão da bateria, accuspanning, batterispänning, akun jännite, napětí baterie, "
        "napięcie akumulatora, akkumulátor feszültség, tensiune baterie, akü gerilimi, "
        "напряжение аккумулятора, напряжение, напряжение бортовой сети, напруга акумулятора, "
        "τάση μπαταρίας, 蓄电池电压, 电池电压, 電瓶電壓, バッテリー電圧, 배터리 전압"
    ),
    "valve_steps": (
        "schrittmotor, schritte, leerlaufsteller, leerlaufsteller schritte, leerlaufventil, "
        "schrittmotor position, pas moteur, pas moteur ralenti, moteur pas a pas, vanne ralenti, passi, "
        "motore passo passo, valvola minimo, valvola minimo passi, pasos, motor paso a paso, "
        "válvula ralentí, válvula marcha lenta, passos, motor de passo, válvula marcha lenta passos, "
        "stappen, stappenmotor, stationairklep, steg, stegmotor, tomgångsventil, trinmotor, skrittmotor, "
        "askelmoottori, askeleet, kroky, krokový motor, ventil volnoběhu, kroki, silnik krokowy, "
        "zawór biegu jałowego, léptetőmotor, alapjárati szelep, motor pas cu pas, adım motoru, "
        "rölanti valfi, шаги, шаговый двигатель, шаги шагового двигателя, клапан холостого хода, "
        "шаги клапана холостого хода, регулятор холостого хода, положение регулятора холостого хода, "
        "кроковий двигун, клапан холостого ходу, βηματικός κινητήρας, βαλβίδα ρελαντί, 步数, 步进电机, "
        "步进电机步数, 步進馬達, 怠速阀, 怠速阀步数, 怠速控制阀, 怠速閥, ステップ数, ステップモーター, "
        "ステッピングモーター, アイドル制御弁, 스텝 모터, 스테핑 모터, 공회전 밸브"
    ),
    "spark_deg": (
        "zündwinkel, zuendwinkel, zündzeitpunkt, avance allumage, anticipo, anticipo accensione, "
        "avance encendido, avanço ignição, tändning, tändvinkel, sytytysennakko, předstih, "
        "kąt wyprzedzenia zapłonu, előgyújtás, avans aprindere, ateşleme avansı, "
        "угол опережения зажигания, опережение зажигания, кут випередження запалювання, 点火提前角, "
        "点火角, 點火提前角, 点火時期, 점화 시기"
    ),
    "target_rpm": (
        "solldrehzahl, regime consigne, giri obiettivo, régimen objetivo, rotação alvo, doeltoerental, "
        "заданные обороты, целевые обороты, 目标转速, 目標轉速, 目標回転数, 목표 회전수"
    ),
    "iat_degC": (
        "ansauglufttemperatur, lufttemperatur, temperature air, temperature admission, temperatura aria, "
        "temperatura aire, temperatura ar, luchttemperatuur, insugslufttemperatur, teplota vzduchu, "
        "temperatura powietrza, levegő hőmérséklet, температура воздуха, температура повітря, 进气温度, "
        "進氣溫度, 吸気温度, 흡기 온도"
    ),
    "throttle_percent": (
        "drosselklappe, papillon, position papillon, farfalla, posizione farfalla, mariposa, borboleta, "
        "gasklep, gasspjäll, kaasuläppä, škrticí klapka, przepustnica, fojtószelep, gaz kelebeği, "
        "дроссель, дроссельная заслонка, положение дроссельной заслонки, дросельна заслінка, πεταλούδα, "
        "节气门, 节气门开度, 节气门位置, 節氣門, スロットル, スロットル開度, 스로틀, 스로틀 개도"
    ),
    "vehicle_speed_km_h": (
        "fahrgeschwindigkeit, geschwindigkeit, vitesse, vitesse vehicule, velocita, velocita veicolo, "
        "velocidad, velocidad vehiculo, velocidade, snelheid, hastighet, hastighed, nopeus, rychlost, "
        "prędkość, sebesség, viteză, araç hızı, скорость, скорость автомобиля, швидкість, ταχύτητα, 车速, "
        "車速, 차속"
    ),
    "load_on": (
        "lüfter, kühlerlüfter, klimaanlage, klimakompressor, licht, scheinwerfer, verbraucher, "
        "ventilateur, climatisation, phares, ventola, condizionatore, climatizzatore, fari, ventilador, "
        "aire acondicionado, faros, ventoinha, ar condicionado, faróis, ventilator, koplampen, "
        "airconditioning, fläkt, kylfläkt, luftkonditionering, strålkastare, tuuletin, ilmastointi, "
        "ajovalot, ventilátor, klimatizace, wentylator, klimatyzacja, światła, légkondicionáló, fényszóró, "
        "aer condiționat, faruri, klima, farlar, вентилятор, кондиционер, фары, нагрузка, кондиціонер, "
        "фари, ανεμιστήρας, κλιματισμός, φώτα, 风扇, 冷却风扇, 空调, 大灯, 風扇, 冷氣, ファン, 冷却ファン, "
        "エアコン, ヘッドライト, 팬, 냉각팬, 에어컨, 전조등"
    ),
}
"""Names by signal, set apart by commas."""
